package manual

import (
	"regexp"
	"strings"

	"tapload/plot/report"
)

// parse reads the part of Markdown that topics are written in: a title, headings
// of the second order, paragraphs, lists, tables, blocks of code, quotes that
// begin with "**Caution.**", and pictures, each named in place of its file. A block
// of code after a picture takes its place where only text can be. What is bold or
// code in a sentence stands in it as plain text.
func parse(source string) report.Document {
	var d report.Document
	// Each piece is a section: an empty line stands between those.
	add := func(p report.Piece) {
		if last := len(d.Sections) - 1; last >= 0 && d.Sections[last].Pieces == nil {
			d.Sections[last].Pieces = []report.Piece{p}
			return
		}
		d.Sections = append(d.Sections, report.Section{Pieces: []report.Piece{p}})
	}
	all := blocks(source)
	for i, block := range all {
		if block == nil {
			continue // it belongs to the picture before it
		}
		first := block[0]
		switch {
		case strings.HasPrefix(first, "# "):
			d.Title = first[2:]
		case strings.HasPrefix(first, "## "):
			d.Sections = append(d.Sections, report.Section{Heading: first[3:]})
		case strings.HasPrefix(first, "!["):
			about, name, _ := strings.Cut(strings.TrimSuffix(first[2:], ")"), "](")
			f := report.Figure{Picture: pictures()[name], Plain: "(picture: " + about + ")"}
			if i+1 < len(all) && strings.HasPrefix(all[i+1][0], "```") {
				f.Plain, all[i+1] = strings.Join(all[i+1][1:], "\n"), nil
			}
			add(f)
		case strings.HasPrefix(first, "```"):
			add(report.Lines(block[1:]))
		case strings.HasPrefix(first, "|"):
			add(table(block))
		case strings.HasPrefix(first, "> "):
			text := strings.ReplaceAll(strings.Join(block, "\n"), "\n> ", " ")
			add(report.Caution(strings.TrimPrefix(plain(text[2:]), "Caution. ")))
		case strings.HasPrefix(first, "- "):
			var points report.Points
			for _, line := range block {
				if item, is := strings.CutPrefix(line, "- "); is {
					points = append(points, item)
				} else {
					points[len(points)-1] += " " + strings.TrimSpace(line)
				}
			}
			for i := range points {
				points[i] = plain(points[i])
			}
			add(points)
		case d.Lead == "":
			d.Lead = plain(strings.Join(block, " "))
		default:
			add(report.Words(plain(strings.Join(block, " "))))
		}
	}
	return d
}

// blocks are the lines between empty ones, and each block of code with what
// stands in it, without its last line.
func blocks(source string) [][]string {
	var all [][]string
	var block []string
	code := false
	end := func() {
		if block != nil {
			all = append(all, block)
		}
		block = nil
	}
	for line := range strings.SplitSeq(source, "\n") {
		switch {
		case code && line == "```":
			code = false
			end()
		case code:
			block = append(block, line)
		case strings.HasPrefix(line, "```"):
			end()
			code, block = true, []string{line}
		case strings.TrimSpace(line) == "":
			end()
		default:
			block = append(block, line)
		}
	}
	end()
	return all
}

func table(block []string) report.Table {
	var t report.Table
	for i, line := range block {
		var row []string
		for cell := range strings.SplitSeq(strings.Trim(line, "|"), " | ") {
			row = append(row, plain(strings.TrimSpace(cell)))
		}
		switch i {
		case 0:
			t.Head = row
		case 1: // the rule under the head
		default:
			t.Rows = append(t.Rows, row)
		}
	}
	return t
}

var (
	bold = regexp.MustCompile(`\*\*([^*]+)\*\*`)
	code = regexp.MustCompile("`([^`]+)`")
	word = regexp.MustCompile(`^([a-z]+|\.+)$`)
)

// plain is a sentence without its marks; what could be taken for words of the
// sentence keeps quotes.
func plain(s string) string {
	s = bold.ReplaceAllString(s, "$1")
	return code.ReplaceAllStringFunc(s, func(c string) string {
		inside := c[1 : len(c)-1]
		switch {
		case !strings.Contains(inside, " ") && !word.MatchString(inside):
			return inside
		case strings.Contains(inside, `"`):
			return c
		}
		return `"` + inside + `"`
	})
}

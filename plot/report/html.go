package report

import (
	"bytes"
	"context"
	_ "embed"
	"encoding/base64"
	"errors"
	"fmt"
	"html/template"
	"io"
	"reflect"
	"regexp"
	"strings"

	"tapload/measure/oneline"
	"tapload/plot"
)

// HTML writes d as one file that needs no other: pictures are in it, it reads
// on a phone, in light and dark, and prints on sheets of the given size.
// Nothing is written if there is an error, which is ctx's where that ends.
func (d Document) HTML(ctx context.Context, w io.Writer, paper Paper) error {
	d.Sections = d.whole()
	var buf bytes.Buffer
	until := writer(func(p []byte) (int, error) {
		if ctx.Err() != nil {
			return 0, ctx.Err()
		}
		return buf.Write(p)
	})
	err := htmlTemplate.Execute(until, struct {
		Document
		Paper    template.CSS
		Cells    [][2]string
		Contents []int // sections with a heading, where there are enough to look for one
		Mark     string
	}{d, template.CSS(paper.String()), d.cells(), d.contents(), inventedMark})
	if ctx.Err() != nil {
		return ctx.Err()
	}
	if err != nil {
		return fmt.Errorf("making the HTML: %w", err)
	}
	if _, err := w.Write(oneline.HarmlessText(buf.Bytes())); err != nil {
		return fmt.Errorf("writing the HTML: %w", err)
	}
	return nil
}

type writer func(p []byte) (int, error)

func (w writer) Write(p []byte) (int, error) { return w(p) }

// contents are the sections with headings, where they are many.
func (d Document) contents() (all []int) {
	const many = 8
	for i, s := range d.Sections {
		if s.Heading != "" && !s.Sub {
			all = append(all, i)
		}
	}
	if len(all) < many {
		return nil
	}
	return all
}

// htmlRow is a row whose name stands beside it and the rows after it, Span in
// all; 0 where that of a row above does.
type htmlRow struct {
	Name  string
	Span  int
	Cells []string
}

func rowsHTML(t Table) (rows []htmlRow) {
	t = t.forPen()
	named := 0
	for i, row := range t.Rows {
		r := htmlRow{Cells: row[1:]}
		if i == 0 || row[0] != "" {
			r.Name, named = row[0], i
		}
		rows = append(rows, r)
		rows[named].Span++
	}
	return rows
}

// figureHTML is the picture of f, and for narrow screens a narrow one where there
// is such a picture and it is wider itself.
func figureHTML(f Figure) (template.HTML, error) {
	wide, err := svgHTML(f.Picture)
	if err != nil {
		return "", err
	}
	if p, err := f.Picture.OnPage(); err != nil {
		return "", err
	} else if w, _ := p.SizeMM(); w < plot.NarrowMM+0.5 {
		return "<figure>" + wide + "</figure>", nil
	}
	narrow := plot.Narrow(f.Picture)
	if narrow == nil {
		return `<figure class="drawing" tabindex="0">` + wide + "</figure>", nil
	}
	small, err := svgHTML(narrow)
	return `<figure class="wide">` + wide + `</figure><figure class="narrow">` + small + "</figure>", err
}

func svgHTML(d plot.Drawable) (template.HTML, error) {
	var svg bytes.Buffer
	if err := plot.Write(&svg, plot.SVG, d); err != nil {
		return "", err
	}
	// Within a page an SVG has no XML declaration.
	_, body, ok := bytes.Cut(svg.Bytes(), []byte("<svg "))
	if !ok {
		return "", errors.New("the picture is no SVG")
	}
	return template.HTML("<svg " + string(body)), nil
}

func photoHTML(f Photo) (template.URL, error) {
	if f.Format != "png" && f.Format != "jpeg" {
		return "", fmt.Errorf("the photo of %s is %q; it must be png or jpeg", f.About, f.Format)
	}
	return template.URL("data:image/" + f.Format + ";base64," + base64.StdEncoding.EncodeToString(f.Data)), nil
}

// dated is a cell that begins with a date, which browsers break at its hyphens.
var dated = regexp.MustCompile(`^\d{4}-\d\d-\d\d`)

var htmlFuncs = template.FuncMap{
	"kind": func(p Piece) string { return reflect.TypeOf(p).Name() },
	"rows": rowsHTML, "figure": figureHTML, "photo": photoHTML, "glued": glued,
	"lines": func(l Lines) string { return strings.Join(l, "\n") },
	"short": func(t Table) bool { return len(t.Rows) <= 14 },
	"day":   func(s string) bool { return dated.MatchString(s) },
	"head":  func(t Table) []string { return t.forPen().Head },
}

//go:embed page.html
var htmlPage string

var htmlTemplate = template.Must(template.New("page").Funcs(htmlFuncs).Parse(htmlPage))

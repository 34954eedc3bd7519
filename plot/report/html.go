package report

import (
	"bytes"
	"fmt"
	"html/template"
	"io"
	"strings"

	"tapload/plot"
)

// HTML writes d as one file that needs no other: pictures are in it, it reads
// on a phone, in light and dark, and prints on sheets of the given size.
// Nothing is written if there is an error.
func (d Document) HTML(w io.Writer, paper Paper) error {
	page := htmlPage{Title: d.Title, Lead: d.Lead, Paper: template.CSS(paper.String())}
	for _, s := range d.whole() {
		section := htmlSection{Heading: s.Heading, NewPage: s.NewPage}
		for _, p := range s.Pieces {
			h, err := toHTML(p)
			if err != nil {
				return fmt.Errorf("making the HTML: %w", err)
			}
			section.Pieces = append(section.Pieces, h)
		}
		page.Sections = append(page.Sections, section)
	}
	var buf bytes.Buffer
	if err := htmlTemplate.Execute(&buf, page); err != nil {
		return fmt.Errorf("making the HTML: %w", err)
	}
	if _, err := w.Write(buf.Bytes()); err != nil {
		return fmt.Errorf("writing the HTML: %w", err)
	}
	return nil
}

type htmlPage struct {
	Title, Lead string
	Paper       template.CSS
	Sections    []htmlSection
}

type htmlSection struct {
	Heading string
	NewPage bool
	Pieces  []htmlPiece
}

// htmlPiece has one of its fields.
type htmlPiece struct {
	Words   string
	Points  []string
	Caution string
	Lines   string
	Table   *htmlTable
	Figure  template.HTML
	Label   []string
}

type htmlTable struct {
	Caption string
	Head    []string
	Rows    []htmlRow
}

// htmlRow is a row whose name stands beside it and the rows after it, Span in
// all; 0 where that of a row above does.
type htmlRow struct {
	Name  string
	Span  int
	Cells []string
}

func tableHTML(t Table) *htmlTable {
	h := htmlTable{Caption: t.Caption, Head: t.Head}
	named := 0
	for i, row := range t.Rows {
		r := htmlRow{Cells: row[1:]}
		if i == 0 || row[0] != "" {
			r.Name, named = row[0], i
		}
		h.Rows = append(h.Rows, r)
		h.Rows[named].Span++
	}
	return &h
}

func toHTML(p Piece) (htmlPiece, error) {
	switch p := p.(type) {
	case Words:
		return htmlPiece{Words: string(p)}, nil
	case Points:
		return htmlPiece{Points: p}, nil
	case Caution:
		return htmlPiece{Caution: string(p)}, nil
	case Lines:
		return htmlPiece{Lines: strings.Join(p, "\n")}, nil
	case Table:
		return htmlPiece{Table: tableHTML(p)}, nil
	case Label:
		return htmlPiece{Label: p}, nil
	case Figure:
		var svg bytes.Buffer
		if err := plot.Write(&svg, plot.SVG, p.Picture); err != nil {
			return htmlPiece{}, err
		}
		// Within a page an SVG has no XML declaration.
		_, body, ok := bytes.Cut(svg.Bytes(), []byte("<svg "))
		if !ok {
			return htmlPiece{}, fmt.Errorf("the picture is no SVG")
		}
		return htmlPiece{Figure: template.HTML("<svg " + string(body))}, nil
	}
	return htmlPiece{}, fmt.Errorf("a page has no place for a %T", p)
}

var htmlTemplate = template.Must(template.New("page").Parse(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta name="color-scheme" content="light dark">
<title>{{.Title}}</title>
<style>
:root { --ink: #1b1b1b; --quiet: #555; --paper: #fff; --rule: #b5b5b5; --warn: #fbeed2; --bar: #b34700; }
@media (prefers-color-scheme: dark) {
  :root { --ink: #ececec; --quiet: #b8b8b8; --paper: #16181a; --rule: #555; --warn: #3a2a0c; --bar: #ffa64d; }
}
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 52rem; padding: 1rem; color: var(--ink); background: var(--paper);
  font: 1rem/1.45 "Liberation Sans", Arial, Helvetica, sans-serif; overflow-wrap: break-word; }
h1 { font-size: 1.6rem; line-height: 1.2; margin: 0 0 .4rem; }
h2 { font-size: 1.15rem; margin: 2rem 0 .8rem; padding-bottom: .2rem; border-bottom: 1px solid var(--rule); }
.lead { font-size: 1.1rem; margin: 0; }
p, ul, figure, .table, .label { margin: .8rem 0; }
ul { padding-left: 1.2rem; }
figure { background: #fff; padding: .5rem; border-radius: .4rem; overflow-x: auto; text-align: center; }
figure svg { max-width: 100%; min-width: min(24rem, 100vw); height: auto; }
pre, .table { overflow-x: auto; }
table { border-collapse: collapse; font-size: .92rem; font-variant-numeric: tabular-nums; }
caption { text-align: left; padding-bottom: .3rem; font-size: 1rem; }
th, td { text-align: left; vertical-align: top; padding: .25rem 1rem .25rem 0; border-bottom: 1px solid var(--rule); }
thead th { border-bottom: 2px solid var(--quiet); }
tbody th { white-space: nowrap; font-weight: normal; }
.caution { background: var(--warn); border-left: .3rem solid var(--bar); padding: .6rem .8rem; }
.label { border: 2px dashed var(--quiet); padding: .7rem .9rem; max-width: 28rem; }
.label p { margin: 0; }
.label p:first-child { font-size: 1.15rem; }
.label p:nth-child(-n+2) { font-weight: bold; }
@page { size: {{.Paper}}; margin: 14mm; }
@media print {
  :root { --ink: #000; --quiet: #444; --paper: #fff; --rule: #aaa; --warn: #fbeed2; --bar: #b34700; }
  html { font-size: 9.5pt; }
  body { max-width: none; padding: 0; line-height: 1.3; }
  p, ul, .table, .label { margin: .5rem 0; }
  th, td { padding-top: .14rem; padding-bottom: .14rem; }
  h2 { margin-top: 1.2rem; break-after: avoid; }
  figure { padding: 0; break-inside: avoid; overflow: visible; }
  figure svg { min-width: 0; }
  .table { overflow: visible; }
  tr, .label, .caution { break-inside: avoid; }
  thead { display: table-header-group; }
  .page { break-before: page; }
  .caution { -webkit-print-color-adjust: exact; print-color-adjust: exact; }
}
</style>
</head>
<body>
<header>
<h1>{{.Title}}</h1>
<p class="lead">{{.Lead}}</p>
</header>
<main>
{{- range .Sections}}
<section{{if .NewPage}} class="page"{{end}}>
{{- if .Heading}}
<h2>{{.Heading}}</h2>{{end}}
{{- range .Pieces}}
{{- if .Words}}
<p>{{.Words}}</p>
{{- else if .Points}}
<ul>{{range .Points}}
<li>{{.}}</li>{{end}}
</ul>
{{- else if .Caution}}
<p class="caution"><strong>Caution.</strong> {{.Caution}}</p>
{{- else if .Lines}}
<pre>{{.Lines}}</pre>
{{- else if .Table}}
<div class="table" tabindex="0"><table>
{{- if .Table.Caption}}
<caption>{{.Table.Caption}}</caption>{{end}}
{{if .Table.Head}}<thead><tr>{{range .Table.Head}}<th scope="col">{{.}}</th>{{end}}</tr></thead>
{{end}}<tbody>{{range .Table.Rows}}
<tr>{{if .Span}}<th scope="row"{{if gt .Span 1}} rowspan="{{.Span}}"{{end}}>{{.Name}}</th>{{end}}{{range .Cells}}<td>{{.}}</td>{{end}}</tr>{{end}}
</tbody></table></div>
{{- else if .Figure}}
<figure>{{.Figure}}</figure>
{{- else if .Label}}
<div class="label">{{range .Label}}
<p>{{.}}</p>{{end}}
</div>
{{- end}}
{{- end}}
</section>
{{- end}}
</main>
</body>
</html>
`))

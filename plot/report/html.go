package report

import (
	"bytes"
	"errors"
	"fmt"
	"html/template"
	"io"
	"reflect"
	"strings"

	"tapload/plot"
)

// HTML writes d as one file that needs no other: pictures are in it, it reads
// on a phone, in light and dark, and prints on sheets of the given size.
// Nothing is written if there is an error.
func (d Document) HTML(w io.Writer, paper Paper) error {
	d.Sections = d.whole()
	var buf bytes.Buffer
	if err := htmlTemplate.Execute(&buf, struct {
		Document
		Paper template.CSS
	}{d, template.CSS(paper.String())}); err != nil {
		return fmt.Errorf("making the HTML: %w", err)
	}
	if _, err := w.Write(buf.Bytes()); err != nil {
		return fmt.Errorf("writing the HTML: %w", err)
	}
	return nil
}

// htmlRow is a row whose name stands beside it and the rows after it, Span in
// all; 0 where that of a row above does.
type htmlRow struct {
	Name  string
	Span  int
	Cells []string
}

func rowsHTML(t Table) (rows []htmlRow) {
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

func figureHTML(f Figure) (template.HTML, error) {
	var svg bytes.Buffer
	if err := plot.Write(&svg, plot.SVG, f.Picture); err != nil {
		return "", err
	}
	// Within a page an SVG has no XML declaration.
	_, body, ok := bytes.Cut(svg.Bytes(), []byte("<svg "))
	if !ok {
		return "", errors.New("the picture is no SVG")
	}
	return template.HTML("<svg " + string(body)), nil
}

var htmlFuncs = template.FuncMap{
	"kind": func(p Piece) string { return reflect.TypeOf(p).Name() },
	"rows": rowsHTML, "svg": figureHTML,
	"lines": func(l Lines) string { return strings.Join(l, "\n") },
}

var htmlTemplate = template.Must(template.New("page").Funcs(htmlFuncs).Parse(`<!DOCTYPE html>
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
{{- $kind := kind .}}
{{- if eq $kind "Words"}}
<p>{{.}}</p>
{{- else if eq $kind "Points"}}
<ul>{{range .}}
<li>{{.}}</li>{{end}}
</ul>
{{- else if eq $kind "Caution"}}
<p class="caution"><strong>Caution.</strong> {{.}}</p>
{{- else if eq $kind "Lines"}}
<pre>{{lines .}}</pre>
{{- else if eq $kind "Table"}}
<div class="table" tabindex="0"><table>
{{- if .Caption}}
<caption>{{.Caption}}</caption>{{end}}
{{if .Head}}<thead><tr>{{range .Head}}<th scope="col">{{.}}</th>{{end}}</tr></thead>
{{end}}<tbody>{{range rows .}}
<tr>{{if .Span}}<th scope="row"{{if gt .Span 1}} rowspan="{{.Span}}"{{end}}>{{.Name}}</th>{{end}}{{range .Cells}}<td>{{.}}</td>{{end}}</tr>{{end}}
</tbody></table></div>
{{- else if eq $kind "Figure"}}
<figure>{{svg .}}</figure>
{{- else if eq $kind "Label"}}
<div class="label">{{range .}}
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

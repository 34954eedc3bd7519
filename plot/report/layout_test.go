package report

import (
	"bytes"
	"context"
	"fmt"
	"image"
	"image/png"
	"io"
	"regexp"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tapload/fixtures/amp"
	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
	"tapload/fixtures/job/findings"
	"tapload/measure/impedance"
	"tapload/plot"
)

// laid is every line of text of d on its pages, in the order of writing.
func laid(t interface{ Fatal(...any) }, d Document, paper Paper) (lines []placed, pages int) {
	p, err := d.pages(context.Background(), paper, func(l placed) { lines = append(lines, l) })
	if err != nil {
		t.Fatal(err)
	}
	return lines, p.doc.PageCount()
}

// wellLaid holds the lines of a document to the rules of a page: nothing beyond its
// margins, no heading and no head of a table alone at its end, a table that goes on
// says so and has its head again.
func wellLaid(t interface{ Errorf(string, ...any) }, lines []placed, paper Paper) {
	width, height := paper.points()
	var before placed // in the text, title blocks apart
	started := map[int]int{}
	for _, l := range lines {
		if l.x < pageMargin-0.1 || l.x+l.wide > width-pageMargin+0.1 || l.y > height-pageFoot+0.1 {
			t.Errorf("page %d: %q reaches from %.0f to %.0f, down to %.0f", l.page, l.text, l.x, l.x+l.wide, l.y)
		}
		if l.role == isBlock {
			continue
		}
		if turned := l.page != before.page && before.page > 0; turned {
			switch before.role {
			case isHeading, isCaption, isHead, isContinued:
				t.Errorf("page %d ends with %q", before.page, before.text)
			}
		}
		if l.table > 0 && l.role == isCell {
			if on, is := started[l.table]; is && on != l.page && before.page != l.page {
				t.Errorf("page %d: a table goes on with %q and does not say so", l.page, l.text)
			}
			started[l.table] = l.page
		}
		if before.role == isContinued && l.page == before.page && l.role != isHead && l.role != isCell && l.role != isContinued {
			t.Errorf("page %d: %q follows %q", l.page, l.text, before.text)
		}
		before = l
	}
}

func TestPagesAreWellLaid(t *testing.T) {
	words := func(t *rapid.T, most int) string {
		return strings.TrimSpace(strings.Repeat("some words of 8 ohm ", rapid.IntRange(1, most).Draw(t, "words")))
	}
	piece := func(t *rapid.T, deep bool) Piece {
		kinds := 6
		if deep {
			kinds = 5
		}
		switch rapid.IntRange(0, kinds).Draw(t, "kind") {
		case 0:
			return Points{words(t, 20), words(t, 3)}
		case 1:
			return Caution(words(t, 20))
		case 2:
			return Label{"BOX 1", "a", words(t, 4)}
		case 3:
			return Words(words(t, 60))
		case 4, 5:
			table := Table{Filled: rapid.Bool().Draw(t, "filled")}
			if rapid.Bool().Draw(t, "caption") {
				table.Caption = "A caption:"
			}
			if rapid.Bool().Draw(t, "head") {
				table.Head = []string{"one", "two", "three"}
			}
			for range rapid.IntRange(1, 70).Draw(t, "rows") {
				table.add("name", words(t, 3), words(t, 8))
			}
			return table
		}
		return nil
	}
	rapid.Check(t, func(t *rapid.T) {
		d := Document{Title: "Job " + words(t, 6), Lead: words(t, 10), Imprint: Imprint{Job: words(t, 9), Shop: words(t, 4), Address: words(t, 4), By: "bench 2", Invented: true}}
		for i := range rapid.IntRange(1, 9).Draw(t, "sections") {
			s := Section{Heading: fmt.Sprintf("Section %d", i), Sub: rapid.Bool().Draw(t, "sub"), Whole: rapid.Bool().Draw(t, "whole")}
			for range rapid.IntRange(1, 4).Draw(t, "pieces") {
				p := piece(t, false)
				if p == nil {
					p = Beside{0.6, []Piece{piece(t, true)}, []Piece{piece(t, true)}}
				}
				s.Pieces = append(s.Pieces, p)
			}
			d.Sections = append(d.Sections, s)
		}
		paper := Paper(rapid.IntRange(0, 1).Draw(t, "paper"))
		lines, _ := laid(t, d, paper)
		wellLaid(t, lines, paper)
		for _, l := range lines {
			if (l.role == isCell || l.role == isHead) && strings.Contains(l.text, "[") {
				t.Fatalf("a box to tick is written as %q", l.text)
			}
		}
	})
}

// A heading stood alone on its page where two columns were as high as a page, or nearly.
func TestHeadingOfColumnsAsHighAsAPage(t *testing.T) {
	for rows := 40; rows < 80; rows++ {
		var table Table
		for range rows {
			table.add("name", "value")
		}
		d := Document{Title: "A page", Sections: []Section{{Heading: "Section 1", Pieces: []Piece{Beside{0.6, []Piece{table}, []Piece{Words("beside it")}}}}}}
		lines, _ := laid(t, d, A4)
		wellLaid(t, lines, A4)
	}
}

// A split table and a page that ends in a heading are found by the rules above.
func TestBadPagesAreFound(t *testing.T) {
	for name, lines := range map[string][]placed{
		"a heading at the end": {{role: isHeading, page: 1, x: 50, y: 700}, {role: isBody, page: 2, x: 50, y: 90}},
		"a split table":        {{role: isCell, page: 1, table: 1, x: 50, y: 700}, {role: isCell, page: 2, table: 1, x: 50, y: 90}},
		"beyond the margin":    {{role: isBody, page: 1, x: 500, wide: 90, y: 90}},
	} {
		var found complaints
		if wellLaid(&found, lines, A4); found == 0 {
			t.Errorf("%s is not found", name)
		}
	}
}

type complaints int

func (c *complaints) Errorf(string, ...any) { *c++ }

// ratedJob is what a job of so many unmeasured cabinets comes to.
func ratedJob(t *testing.T, cabinets int, formula string, a job.Amplifier) findings.Findings {
	t.Helper()
	j := &job.Job{Reference: "T-1 (invented)", Asked: "run them all", Amplifier: &a, Hookup: &job.Hookup{Formula: formula, Why: "it suits"}}
	for i := range cabinets {
		j.Cabinets = append(j.Cabinets, job.Cabinet{Label: string(rune('a' + i)), RatedOhm: 16, Watts: 30, Notes: "a note of some words"})
	}
	found, err := findings.Of(context.Background(), j, func(string) (io.ReadCloser, error) { t.Fatal("no file is named"); return nil, nil }, findings.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return found
}

// Sheets of jobs of two to six cabinets are well laid on either paper; the first
// page is the customer's, with the picture of the cables, the labels, the tap in
// the largest type and a place to sign.
func TestJobSheets(t *testing.T) {
	valve := job.Amplifier{Name: "house amplifier", TapsOhm: []float64{4, 8, 16}, Watts: 50}
	for _, c := range []struct {
		cabinets int
		formula  string
		a        job.Amplifier
		tap      string
	}{
		{2, "a || b", valve, "Use the 8 ohm tap"},
		{3, "(a + b) || c", valve, "tap"},
		{4, "(a + b) || (c + d)", valve, "Use the 16 ohm tap"},
		{4, "(a || b) + (c || d)", job.Amplifier{MinOhm: 4, Watts: 100}, "Total load 16 ohm"},
		{5, "a || b || c || d || e", job.Amplifier{MinOhm: 4, Watts: 100}, "NOT SAFE on this amplifier"},
		{6, "(a || b || c) + (d || e || f)", valve, "tap"},
		{6, "((a || b) + c) || ((d || e) + f)", valve, "tap"},
	} {
		d := Job(ratedJob(t, c.cabinets, c.formula, c.a), Imprint{Made: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)}, "a version")
		for _, paper := range []Paper{A4, Letter} {
			lines, pages := laid(t, d, paper)
			wellLaid(t, lines, paper)
			first, largest, second := "", placed{}, ""
			for _, l := range lines {
				switch {
				case l.page == 1 && l.size > largest.size:
					largest = l
				case l.page == 2 && second == "" && l.role != isBlock:
					second = l.text
				}
				if l.page == 1 {
					first += strings.ReplaceAll(l.text, noBreak, " ") + "\n"
				}
			}
			for _, want := range []string{"its label says", "received by", "1 of " + fmt.Sprint(pages), "2026-03-04", inventedMark} {
				if !strings.Contains(first, want) {
					t.Errorf("%s on %s: page 1 has no %q", c.formula, paper, want)
				}
			}
			if said := strings.ReplaceAll(largest.text, noBreak, " "); !strings.Contains(said, c.tap) {
				t.Errorf("%s: the largest type says %q, want %q", c.formula, said, c.tap)
			}
			if second != "Bench record" {
				t.Errorf("%s on %s: page 2 begins with %q", c.formula, paper, second)
			}
		}
		pictures := 0
		for _, s := range d.Sections {
			if s.NewPage {
				break
			}
			for _, p := range s.Pieces {
				if f, is := p.(Figure); is {
					if _, is := f.Picture.(plot.Plugs); is {
						pictures++
					}
				}
			}
		}
		if pictures != 1 {
			t.Errorf("%s: %d pictures of the cables on page 1", c.formula, pictures)
		}
	}
}

// What a meter read is written by hand in type of at least 10 points.
func TestMeterTableIsLarge(t *testing.T) {
	lines, _ := laid(t, page(t, "(a + b) || (c + d)", usual(), nil), A4)
	seen := 0
	for _, l := range lines {
		if l.role == isCell && strings.Contains(l.text, "input"+noBreak+"sleeve") || l.text == "closed" {
			if seen++; l.text == "closed" && l.size < 10 {
				t.Errorf("%q has %g points", l.text, l.size)
			}
		}
	}
	if seen < 10 {
		t.Errorf("the meter tables have %d lines", seen)
	}
}

func TestGlued(t *testing.T) {
	for in, want := range map[string]string{
		"8 ohm":        "8_ohm",
		"4 or 8 ohm":   "4 or 8_ohm",
		"a 50 W amp":   "a 50_W amp",
		"51.4 %, up":   "51.4_%, up",
		"box 2 jack 1": "box_2 jack_1",
		"1.2 ± 0.3 Hz": "1.2 ±_0.3_Hz",
		"12 Watts":     "12 Watts",
	} {
		if got := strings.ReplaceAll(glued(in), noBreak, "_"); got != want {
			t.Errorf("%q is glued to %q, want %q", in, got, want)
		}
	}
}

// A photo stands on both, and one that is none says whose it is.
func TestPhoto(t *testing.T) {
	var shot bytes.Buffer
	picture := image.NewNRGBA64(image.Rect(0, 0, 40, 30)) // 16 bits, which a PDF does not take
	if err := png.Encode(&shot, picture); err != nil {
		t.Fatal(err)
	}
	d := func(data []byte) Document {
		return Document{Title: "t", Sections: []Section{{Pieces: []Piece{Photo{Format: "png", Data: data, About: "the back of a"}}}}}
	}
	var pdf bytes.Buffer
	if err := d(shot.Bytes()).PDF(t.Context(), &pdf, A4); err != nil || !strings.Contains(pdf.String(), "/Subtype /Image") {
		t.Errorf("the PDF has no picture: %v", err)
	}
	if got := html(t, d(shot.Bytes()), A4); !strings.Contains(got, `<img alt="the back of a" src="data:image/png;base64,`) {
		t.Error("the HTML has no picture")
	}
	if got := text(t, d(shot.Bytes())); !strings.Contains(got, "(photo: the back of a)") {
		t.Errorf("the text is %q", got)
	}
	if err := d([]byte("no picture")).PDF(t.Context(), io.Discard, A4); err == nil || !strings.Contains(err.Error(), "the photo of the back of a") {
		t.Errorf("no picture: %v", err)
	}
}

// The HTML of a job has contents whose links lead to its sections, a narrow form of
// each chart, and no space between a number and its unit that a line may break at.
func TestJobHTML(t *testing.T) {
	d := Job(ratedJob(t, 3, "(a + b) || c", job.Amplifier{TapsOhm: []float64{4, 8, 16}, Watts: 50}), Imprint{Shop: "Bench & Co", Address: "1 Street", By: "bench 2"}, "a version")
	got := html(t, d, A4)
	links := regexp.MustCompile(`<a href="#(s\d+)">`).FindAllStringSubmatch(got, -1)
	if len(links) < 8 {
		t.Errorf("%d links", len(links))
	}
	for _, l := range links {
		if !strings.Contains(got, `<section id="`+l[1]+`"`) {
			t.Errorf("no section %s", l[1])
		}
	}
	if wide, narrow := strings.Count(got, `<figure class="wide">`), strings.Count(got, `<figure class="narrow">`); wide != 1 || narrow != wide {
		t.Errorf("%d pictures are wide and %d narrow", wide, narrow)
	}
	if loose := regexp.MustCompile(`>[^<]*\d (ohm|W)\b[^<]*<`).FindAllString(regexp.MustCompile(`(?s)<svg .*?</svg>|<title>.*?</title>`).ReplaceAllString(got, ""), -1); len(loose) > 0 {
		t.Errorf("a line may break in %q", loose)
	}
	for _, want := range []string{"<dt>shop</dt><dd>Bench &amp; Co, 1 Street</dd>", "<dt>by</dt><dd>bench 2</dd>", `<p class="invented">` + inventedMark} {
		if !strings.Contains(got, want) {
			t.Errorf("the HTML has no %q", want)
		}
	}
}

// A load that is known by its rating alone says so beside measured ones.
func TestSharesOfRatings(t *testing.T) {
	curve := impedance.Curve{}
	for hz := 20.; hz < 20000; hz *= 1.1 {
		curve.Points = append(curve.Points, impedance.Point{Hz: hz, Z: complex(7+hz/1e4, 1)})
	}
	tree, err := hookup.Parse("a || b")
	if err != nil {
		t.Fatal(err)
	}
	s, err := amp.Assess(t.Context(), amp.Amplifier{TapOhm: []float64{4}}, tree, []hookup.Load{{Name: "a", RatedOhm: 8, Curve: &curve}, {Name: "b", RatedOhm: 8}}, 4, amp.Options{})
	if err != nil {
		t.Fatal(err)
	}
	got := shareTable(s)
	if got.Rows[0][0] != "a" || got.Rows[1][0] != "b (rated only)" {
		t.Errorf("%q", got.Rows)
	}
}

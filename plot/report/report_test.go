package report

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"regexp"
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"

	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/hookup"
	"tapload/plot"
)

// page is the page of a hookup of 16 ohm cabinets; measured ones read 14 ohm.
func page(t testing.TB, formula string, plan box.Plan, a *amp.Amplifier, measured ...string) Document {
	t.Helper()
	tree, err := hookup.Parse(formula)
	if err != nil {
		t.Fatal(err)
	}
	s, err := box.Build(tree, true)
	if err != nil {
		t.Fatal(err)
	}
	plan.RatedOhm = func(string) float64 { return 16 }
	plan.DC = func(load string) box.Ohms {
		for _, m := range measured {
			if m == load {
				return box.FittedOhms(14, 0)
			}
		}
		return box.RatedOhms(16)
	}
	if a != nil {
		var loads []hookup.Load
		for _, name := range tree.Leaves() {
			loads = append(loads, hookup.Load{Name: name, RatedOhm: 16})
		}
		on, err := amp.Assess(t.Context(), *a, tree, loads, a.Levels()[0], amp.Options{})
		if err != nil {
			t.Fatal(err)
		}
		plan.On = &on
	}
	sheet, err := box.NewSheet(t.Context(), s, plan)
	if err != nil {
		t.Fatal(err)
	}
	return BoxSheet(sheet)
}

func usual() box.Plan { return box.Plan{Plug: 15e-3, AWG: 18} }

func text(t testing.TB, d Document) string {
	t.Helper()
	var out bytes.Buffer
	if err := d.Text(&out, 80); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// flat is a text without its line breaks.
func flat(s string) string { return strings.Join(strings.Fields(s), " ") }

// Every sentence comes from the data: what changes there changes on the page.
func TestBoxSheetFollowsTheData(t *testing.T) {
	thick := usual()
	thick.Plug, thick.AWG = 19e-3, 14
	washers := usual()
	washers.Shoulder = 12.7e-3
	valve, high := &amp.Amplifier{TapOhm: []float64{8}}, &amp.Amplifier{TapOhm: []float64{4}, Watts: 50}
	solid := &amp.Amplifier{Kind: amp.SolidState, MinOhm: 16}
	for _, c := range []struct {
		name string
		of   Document
		want []string
		not  []string
	}{
		{"two unmeasured in series", page(t, "a + b", usual(), nil),
			[]string{"1 box to build; 32 ohm", "must read 25.6 to 28.8 ohm (of unmeasured", "Insulate jack 1", "1 pair of insulating", "Centres 20 mm apart",
				"260 mm of 18 AWG", "A pulled plug can leave NO LOAD", "sleeve 1 chassis open", "all input tip input sleeve 25.6 to 28.8 ohm ________ [ ] (through a, b)",
				"Only where the amplifier allows", "all jack sleeves touch the chassis"},
			[]string{"for the amplifier", " W of ", "Keep this case"}},
		// 14 ohm and 5 %, twice (common practice: two of 14 read 28).
		{"two measured in series", page(t, "a + b", usual(), nil, "a", "b"),
			[]string{"must read 26.6 to 29.4 ohm.", "DC from the measured curve."}, []string{"80 to 90 %"}},
		{"thicker plugs and wire", page(t, "a + b", thick, nil), []string{"Centres 24 mm apart: a plug body of 19 mm", "of 14 AWG", "2 sleeve 1 tip 2 85 mm"}, []string{"18 AWG"}},
		{"washers measured", page(t, "a + b", washers, nil), []string{"for an insulated jack 12.7 mm"}, []string{"larger with shoulder washers"}},
		{"a case off the ground", page(t, "(a || b) + c", usual(), nil),
			[]string{"it can short out c.", "Keep this case off the amplifier"}, nil},
		{"on a tap", page(t, "a || b", usual(), valve),
			[]string{"matched on the 8 ohm tap, safe", "no jack needs insulating", "Use the 8 ohm tap", "cabinet a, at box 1 jack 1 16 ohm b high, safe", "amplifier's no load nothing OPEN, not safe"},
			[]string{"Insulate", "washers, for"}},
		{"not safe", page(t, "a + b", usual(), high), []string{"HIGH on the 4 ohm tap, NOT SAFE", "W of 50 W"}, []string{"Use the"}},
		{"solid state", page(t, "a + b", usual(), solid), []string{"on an amplifier for 16 ohm or more", "Lowest load of the amplifier: 16 ohm"}, []string{"tap,"}},
		{"boxes in boxes", page(t, "(a + b) || (c + d)", usual(), valve, "a"),
			[]string{"3 boxes to build", "Box 3: cabinet c and cabinet d in series", "input: box 1; jack 1: c; jack 2: d", "Not for an amplifier by itself", "+- box 3, series"}, nil},
	} {
		got := flat(text(t, c.of))
		for _, w := range c.want {
			if !strings.Contains(got, w) {
				t.Errorf("%s: the page has no %q:\n%s", c.name, w, text(t, c.of))
			}
		}
		for _, w := range c.not {
			if strings.Contains(got, w) {
				t.Errorf("%s: the page has %q", c.name, w)
			}
		}
	}
}

// No line is wider than the terminal, whatever the cabinets are called.
func TestTextKeepsToItsColumns(t *testing.T) {
	long := strings.Repeat("long", 25)
	for _, formula := range []string{"(a + b) || (c + d)", fmt.Sprintf("%s + %s2 || c", long, long), `"Bühne \"links\"" + "a b c d e f g h i j k l m n o p q r s t u v"`, "a||b||c||d||e||f||g||h"} {
		for _, line := range strings.Split(text(t, page(t, formula, usual(), &amp.Amplifier{TapOhm: []float64{8}})), "\n") {
			if n := utf8.RuneCountInString(line); n > 80 {
				t.Errorf("%s: %d columns in %q", formula, n, line)
			}
		}
	}
}

// Columns fit where their longest words let them, and none grows.
func TestWidths(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 6).Draw(t, "columns")
		natural, word, least := make([]float64, n), make([]float64, n), 0.
		for i := range n {
			natural[i] = float64(rapid.IntRange(1, 90).Draw(t, "natural"))
			word[i] = min(natural[i], float64(rapid.IntRange(1, 30).Draw(t, "word")))
			least += word[i]
		}
		room := float64(rapid.IntRange(10, 120).Draw(t, "room"))
		sum := 0.
		for i, w := range widths(natural, word, room) {
			if w > natural[i] || w < word[i]-1e-6 && least <= room {
				t.Fatalf("column %d of %g, word %g, is %g wide", i, natural[i], word[i], w)
			}
			sum += w
		}
		if sum > room+1e-6 {
			t.Fatalf("%g in a room of %g, least %g", sum, room, least)
		}
	})
}

func html(t testing.TB, d Document, p Paper) string {
	t.Helper()
	var out bytes.Buffer
	if err := d.HTML(t.Context(), &out, p); err != nil {
		t.Fatal(err)
	}
	return out.String()
}

// The HTML is well formed, needs no other file, names what pictures show, and
// holds every word of the text, escaped.
func TestHTML(t *testing.T) {
	d := page(t, `"<b>&" + b`, usual(), nil)
	got := strings.ReplaceAll(html(t, d, Letter), noBreak, " ")
	body := strings.NewReplacer("<!DOCTYPE html>", "", `<meta charset="utf-8">`, "", `initial-scale=1">`, `initial-scale=1"/>`, `light dark">`, `light dark"/>`).Replace(got)
	dec := xml.NewDecoder(strings.NewReader(body))
	dec.Entity = xml.HTMLEntity
	var words strings.Builder
	for {
		tok, err := dec.Token()
		if err == io.EOF {
			break
		}
		if err != nil {
			t.Fatalf("not well formed: %v", err)
		}
		if c, ok := tok.(xml.CharData); ok {
			words.Write(c)
			words.WriteByte(' ')
		}
	}
	said := flat(words.String())
	for _, s := range d.Sections {
		for _, p := range s.Pieces {
			var want []string
			switch p := p.(type) {
			case Words:
				want = []string{string(p)}
			case Caution:
				want = []string{string(p)}
			case Points:
				want = p
			case Label:
				want = p
			case Table:
				want = append(want, p.Head...)
				for _, r := range p.Rows {
					want = append(want, r...)
				}
			}
			for _, w := range want {
				if !strings.Contains(said, flat(w)) {
					t.Errorf("the HTML does not say %q", w)
				}
			}
		}
	}
	for _, w := range []string{"size: letter", `role="img" aria-label="Box 1: series`, `aria-label="Schematic`, `<th scope="col">must read</th>`, `<th scope="row" rowspan="7">nothing</th><td>input tip</td>`, `<th scope="row">jack 1 only</th>`, "prefers-color-scheme: dark", `lang="en"`, "width=device-width"} {
		if !strings.Contains(got, w) {
			t.Errorf("the HTML has no %q", w)
		}
	}
	if strings.Contains(got, "<b>") || regexp.MustCompile(`(src|href)="http|url\(|@import|<script`).MatchString(got) {
		t.Error("the HTML has a name unescaped, or needs another file")
	}
	if again := html(t, d, Letter); strings.ReplaceAll(again, noBreak, " ") != got {
		t.Error("the HTML does not repeat")
	}
}

func TestPDF(t *testing.T) {
	write := func(d Document, p Paper) string {
		var out bytes.Buffer
		if err := d.PDF(t.Context(), &out, p); err != nil {
			t.Fatal(err)
		}
		return out.String()
	}
	one, four := page(t, "a + b", usual(), nil), page(t, "(a + b) || (c + d)", usual(), nil)
	got := write(one, A4)
	if !strings.HasPrefix(got, "%PDF-") || !strings.Contains(got, "[0 0 595.28 841.89]") || !strings.Contains(write(one, Letter), "[0 0 612.00 792.00]") {
		t.Error("the PDF is no PDF, or not of the size of its paper")
	}
	pages := func(s string) int { return len(regexp.MustCompile(`/Type /Page\b`).FindAllString(s, -1)) }
	if pages(got) < 2 || pages(write(four, A4)) < 4 {
		t.Errorf("%d pages of one box and %d of three", pages(got), pages(write(four, A4)))
	}
	if got != write(one, A4) {
		t.Error("the PDF does not repeat")
	}
	if got == write(page(t, "a + c", usual(), nil), A4) {
		t.Error("another cabinet's name makes no difference")
	}
	// Letters that the font has not, and names longer than the page, must not
	// stop the page.
	write(page(t, `"\"🎸\" 舞台" + `+strings.Repeat("x", 300), usual(), nil), A4)
}

// A long table goes on on the next page under its head.
func TestPDFLongTable(t *testing.T) {
	long := Table{Head: []string{"n", "words"}}
	for i := range 200 {
		long.Rows = append(long.Rows, []string{fmt.Sprint(i), strings.Repeat("word ", 20)})
	}
	var out bytes.Buffer
	if err := (Document{Title: "t", Sections: []Section{{Heading: "s", Pieces: []Piece{long}}}}).PDF(t.Context(), &out, A4); err != nil {
		t.Fatal(err)
	}
	if n := len(regexp.MustCompile(`/Type /Page\b`).FindAllString(out.String(), -1)); n < 4 {
		t.Errorf("200 rows on %d pages", n)
	}
}

type broken struct{}

func (broken) OnPage() (plot.Picture, error) { return plot.Picture{}, errors.New("no picture") }

// A picture that cannot be drawn leaves nothing written.
func TestBrokenPicture(t *testing.T) {
	d := Document{Sections: []Section{{Pieces: []Piece{Figure{Picture: broken{}}}}}}
	var out bytes.Buffer
	for _, err := range []error{d.PDF(t.Context(), &out, A4), d.HTML(t.Context(), &out, A4)} {
		if err == nil || !strings.Contains(err.Error(), "no picture") || out.Len() > 0 {
			t.Errorf("%v with %d bytes written", err, out.Len())
		}
	}
}

func TestParsePaper(t *testing.T) {
	for _, p := range []Paper{A4, Letter} {
		if got, err := ParsePaper(p.String()); got != p || err != nil {
			t.Errorf("%s: %v, %v", p, got, err)
		}
	}
	if _, err := ParsePaper("a5"); err == nil {
		t.Error("a5 is a paper")
	}
}

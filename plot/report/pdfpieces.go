package report

import (
	"bytes"
	"fmt"
	"image"
	"image/draw"
	_ "image/jpeg" // photos
	"image/png"
	"strconv"

	"codeberg.org/go-pdf/fpdf"

	"tapload/plot"
)

// caution is a paragraph behind a bar.
func (p *pdfPages) caution(s string) {
	const bar = 10.
	s = "Caution. " + s
	p.font("", p.body)
	height := float64(len(p.fold(s, p.width-2*bar)))*p.body*leading + 8
	p.need(height)
	p.fill(p.left, p.y, p.width, height, 0xFB, 0xEE, 0xD2)
	p.fill(p.left, p.y, 3, height, 0xD5, 0x5E, 0x00)
	p.y += 4
	p.write("", p.body, bar, s, isBody)
	p.y += 4
}

func (p *pdfPages) fill(x, y, width, height float64, r, g, b int) {
	if !p.dry {
		p.doc.SetFillColor(r, g, b)
		p.doc.Rect(x, y, width, height, "F")
	}
}

func (p *pdfPages) frame(x, y, width, height, line float64, grey int) {
	if !p.dry {
		p.doc.SetLineWidth(line)
		p.doc.SetDrawColor(grey, grey, grey)
		p.doc.Rect(x, y, width, height, "D")
	}
}

// banner is its text between two heavy rules, smaller where the page is too narrow.
func (p *pdfPages) banner(b Banner) {
	const pad = 6.
	text := glued(plot.PDFText(b.Text))
	size := bannerSize
	p.font("B", size)
	if wide := p.doc.GetStringWidth(text); wide > p.width-20 {
		size = max(titleSize+1, size*(p.width-20)/wide)
	}
	draw := func() {
		p.y += pad
		p.write("B", size, 10, b.Text, isBody)
		p.write("", p.body+1, 10, b.Under, isBody)
		p.y += pad
	}
	height := p.high(draw)
	p.need(height)
	top := p.y
	draw()
	for _, y := range []float64{top, p.y} {
		p.rule(p.left, y, p.left+p.width, y, 2.2, 0x22)
	}
}

// blanks are lines side by side.
func (p *pdfPages) blanks(all Blanks) {
	const high, gap = 34., 16.
	p.need(high)
	wide := (p.width - gap*float64(len(all)-1)) / float64(max(1, len(all)))
	for i, s := range all {
		x := p.left + (wide+gap)*float64(i)
		p.rule(x, p.y+high-13, x+wide, p.y+high-13, 0.8, 0x22)
		p.font("", p.body-1)
		p.text(x, p.y+high-2, p.fold(s, wide)[0], isBody)
	}
	p.y += high
}

// beside is its two columns, or one where they are higher than a page.
func (p *pdfPages) beside(b Beside) (err error) {
	const gap = 14.
	left, width := p.left, p.width
	column := func(pieces []Piece, from, wide float64) {
		p.left, p.width = from, wide
		for i, piece := range pieces {
			if i > 0 {
				p.y += pieceGap
			}
			if e := p.piece(piece); e != nil && err == nil {
				err = e
			}
		}
		p.left, p.width = left, width
	}
	first := b.Part*width - gap/2
	one := func() { column(b.Left, left, first) }
	other := func() { column(b.Right, left+first+gap, width-first-gap) }
	high := max(p.high(one), p.high(other))
	if high > p.bottom-p.top-headingHigh { // else a heading would stay behind
		column(inColumn([]Piece{b}), left, width)
		return err
	}
	p.need(high)
	y := p.y
	one()
	end := p.y
	p.y = y
	other()
	p.y = max(p.y, end)
	return err
}

// size is that of a picture on the page, in points, and its scale.
func (p *pdfPages) size(picture plot.Picture) (width, height, scale float64) {
	w, h := picture.SizeMM()
	const point = 72 / 25.4
	_, page := p.doc.GetPageSize()
	scale = min(1, p.width/(w*point), figurePart*(page-pageMargin-p.top)/(h*point))
	return w * point * scale, h * point * scale, scale
}

func (p *pdfPages) figure(f Figure) error {
	picture, err := f.Picture.OnPage()
	if err != nil {
		return err
	}
	width, height, scale := p.size(picture)
	p.need(height)
	if !p.dry {
		err = picture.Place(p.doc, p.left+(p.width-width)/2, p.y, scale)
	}
	p.y += height
	return err
}

// photo is at most photoHigh high. A PNG is written anew, since not every one
// may stand in a PDF.
func (p *pdfPages) photo(f Photo) error {
	of := func(err error) error { return fmt.Errorf("the photo of %s: %w", f.About, err) }
	config, format, err := image.DecodeConfig(bytes.NewReader(f.Data))
	if err != nil {
		return of(err)
	}
	scale := min(p.width/float64(config.Width), photoHigh/float64(config.Height))
	width, height := scale*float64(config.Width), scale*float64(config.Height)
	p.need(height)
	if !p.dry {
		data := bytes.NewBuffer(f.Data)
		if format == "png" {
			picture, err := png.Decode(data)
			if err != nil {
				return of(err)
			}
			plain := image.NewNRGBA(picture.Bounds()) // 8 bits, which every PDF takes
			draw.Draw(plain, plain.Bounds(), picture, plain.Bounds().Min, draw.Src)
			data = &bytes.Buffer{} // f.Data stays as it is
			if err := png.Encode(data, plain); err != nil {
				return of(err)
			}
		}
		name, opt := "photo "+strconv.Itoa(p.doc.PageNo())+" "+strconv.FormatFloat(p.y, 'g', -1, 64), fpdf.ImageOptions{ImageType: format}
		p.doc.RegisterImageOptionsReader(name, opt, data)
		p.doc.ImageOptions(name, p.left, p.y, width, height, false, opt, 0, "")
		if err := p.doc.Error(); err != nil {
			return of(err)
		}
	}
	p.y += height
	return nil
}

// label draws a label to cut out along its dashed edge.
func (p *pdfPages) label(l Label) {
	whole := p.width
	p.width = min(p.width, labelWide)
	defer func() { p.width = whole }()
	draw := func() {
		p.y += labelPad
		for i, s := range l {
			style, size := "", p.body
			if i < 2 {
				style = "B"
			}
			if i == 0 {
				size = headingSize
			}
			p.write(style, size, labelPad, s, isBody)
		}
		p.y += labelPad
	}
	height := p.high(draw)
	p.need(height)
	if !p.dry {
		p.doc.SetDashPattern([]float64{4, 3}, 0)
		p.frame(p.left, p.y, p.width, height, 0.8, 0x55)
		p.doc.SetDashPattern([]float64{}, 0)
	}
	draw()
}

// blocks draws the title block at the top of every page.
func (p *pdfPages) blocks(d Document) {
	pages := p.doc.PageCount()
	shares := []float64{0.33, 0.31, 0.13, 0.13, 0.10}
	for n := 1; n <= pages; n++ {
		p.doc.SetPage(n)
		p.doc.SetFillColor(0xFF, 0xFF, 0xFF) // what the page's last drawing left is not known here
		p.doc.SetDashPattern([]float64{}, 0)
		p.frame(pageMargin, pageMargin, p.width, blockHigh, 0.9, 0x22)
		x := pageMargin
		cells := append(d.cells(), [2]string{"page", fmt.Sprintf("%d of %d", n, pages)})
		for i, cell := range cells {
			wide := shares[i] * p.width
			if i > 0 {
				p.rule(x, pageMargin, x, pageMargin+blockHigh, 0.5, 0x22)
			}
			p.font("", 6.5)
			p.doc.SetTextColor(0x55, 0x55, 0x55)
			p.text(x+4, pageMargin+8, cell[0], isBlock)
			p.blockText(x+4, wide-8, cell[1])
			x += wide
		}
		if d.Imprint.Invented {
			p.font("B", 7.5)
			mark := plot.PDFText(inventedMark)
			wide := p.doc.GetStringWidth(mark)
			p.fill(pageMargin+p.width-wide-10, pageMargin-13, wide+10, 13, 0x22, 0x22, 0x22)
			p.doc.SetTextColor(0xFF, 0xFF, 0xFF)
			p.text(pageMargin+p.width-wide-5, pageMargin-4, mark, isBlock)
		}
	}
}

// blockText writes s into a cell of the title block: in one line, or in two
// smaller ones, which are cut where that is not enough.
func (p *pdfPages) blockText(x, wide float64, s string) {
	p.font("B", 9.5)
	lines := p.fold(s, wide)
	if len(lines) == 1 {
		p.text(x, pageMargin+21.5, lines[0], isBlock)
		return
	}
	p.font("B", 7.5)
	if lines = p.fold(s, wide); len(lines) > 2 {
		lines = append(lines[:1], p.cut(lines[1], wide))
	}
	for i, l := range lines {
		p.text(x, pageMargin+16.7+8.3*float64(i), l, isBlock)
	}
}

// cut ends s with dots within a width.
func (p *pdfPages) cut(s string, wide float64) string {
	r := []rune(s)
	for len(r) > 0 && p.doc.GetStringWidth(string(r)+"\u2026") > wide {
		r = r[:len(r)-1]
	}
	return string(r) + "\u2026"
}

package ratio

import (
	"cmp"
	"context"
	"math"
	"slices"

	"tapload/measure/card"
	"tapload/measure/hum"
	"tapload/measure/signal"
	"tapload/measure/transform"
)

const (
	// A segment of a long recording has about so many samples or lasts for so long,
	// whichever is more: 22 s at 48 kHz.
	segmentPart    = 4 // of the longest recording that is none
	segmentSeconds = 15.0

	// humSegments is in which part of the segments a tone must be found: a note that is
	// held for as long as a segment is not held in many.
	humSegments = 0.25
)

// inSegments hears a recording in segments, in memory that does not grow with its
// length but by some bytes for each millisecond.
//
// Each octave or two of the cells is heard at a sample rate of its own, halved as
// often as they allow: the lower a cell, the longer its segments are, so that each has
// a thousand lines and more, and what the ends of segments add costs nothing to
// speak of. Up to 200 Hz a segment lasts for twenty minutes. Hum is looked for in the
// longest segments that have its frequency, and taken out of each segment as a whole: a
// note may last for a short one, and amplitudes out of short ones in a row would be
// noise about it in a long one.
//
// The recording is read twice. The first time tells of hum, and how loud it is when;
// so the quiet and loud windows are those of the whole recording.
func inSegments(ctx context.Context, sound card.Sound, band signal.Band, cells []heard, periodHz float64, longest int) (s hearing, err error) {
	l := newLong(sound, band, cells, longest)
	octaves := l.octaves(cells, periodHz)
	if err := l.read(ctx, func(v [2][]float64, last bool) error {
		l.loudness.add(v)
		return octaves.add(ctx, v, last, (*octave).findHum)
	}); err != nil {
		return s, err
	}
	s.id, l.tones = l.print.identity(), octaves.tones()
	for _, t := range l.tones {
		for ch, p := range t.Peak {
			l.loudness.hum[ch] += p * p / 2
		}
	}
	s.level, s.peak2 = l.seen.level(l.loudness.hum), l.seen.peak()
	octaves.begin()
	if err := l.read(ctx, func(v [2][]float64, last bool) error {
		return octaves.add(ctx, v, last, (*octave).measure)
	}); err != nil {
		return s, err
	}
	s.cells, s.tones = cells, l.tones
	parts := make([][]lined, len(cells))
	for _, o := range octaves.all {
		spectra, err := o.finish(ctx)
		if err != nil {
			return s, err
		}
		s.spectra = append(s.spectra, spectra...)
		for i, p := range o.parts {
			parts[o.own[0]+i] = p
		}
	}
	return s, fitAll(ctx, cells, func(i int) lined { return together(parts[i], cells[i].shape) })
}

// long is a long recording at the lowest rate that has all cells.
type long struct {
	sound    card.Sound
	band     signal.Band
	halvings int
	rateHz   float64
	samples  int
	segment  int // samples of one, about
	loudness loudness
	print    *fingerprint
	seen     extent
	tones    []hum.Tone
}

func newLong(sound card.Sound, band signal.Band, cells []heard, longest int) *long {
	l := &long{sound: sound, band: band, rateHz: float64(sound.About().RateHz), samples: sound.Frames(), print: newFingerprint(sound.Frames())}
	for cells[len(cells)-1].highHz() <= halvedPasses*l.rateHz/2 {
		l.halvings, l.rateHz, l.samples = l.halvings+1, l.rateHz/2, (l.samples+1)/2
	}
	l.segment = max(longest/segmentPart, int(segmentSeconds*l.rateHz))
	l.loudness.step = max(1, int(loudnessSeconds*l.rateHz))
	return l
}

// segments returns the number of segments of so many samples and the length of one.
func (l *long) segments(samples int) (count, each int) {
	count = max(1, int(math.Round(float64(samples)/float64(l.segment))))
	return count, (samples + count - 1) / count
}

// read calls take for one segment after the other, about its mean.
func (l *long) read(ctx context.Context, take func(v [2][]float64, last bool) error) error {
	_, each := l.segments(l.samples)
	var halvers [2][]*halver
	for ch := range halvers {
		for k := range l.halvings {
			halvers[ch] = append(halvers[ch], newHalver(halvedPasses*math.Exp2(float64(k-l.halvings))))
		}
	}
	var v [2][]float64
	for ch := range v {
		v[ch] = make([]float64, 0, each+1<<16)
	}
	left := l.samples
	give := func(end bool) error {
		for len(v[0]) >= each || end && len(v[0]) > 0 {
			n := min(each, len(v[0]))
			now := [2][]float64{v[0][:n], v[1][:n]}
			centre(now)
			left -= n
			if err := take(now, left == 0); err != nil {
				return err
			}
			for ch := range v {
				v[ch] = v[ch][:copy(v[ch], v[ch][n:])]
			}
		}
		return nil
	}
	var room [2][]float64
	halved := func(ch int, x []float64, last bool) {
		for k, h := range halvers[ch] {
			y := room[k%2][:0]
			y = h.halve(y, x)
			if last {
				y = h.end(y)
			}
			room[k%2], x = y, y
		}
		v[ch] = append(v[ch], x...)
	}
	if err := l.sound.Pieces(ctx, func(v1, v2 []float64) error {
		l.print.add(v1, v2)
		l.seen.add(v1, v2)
		halved(0, v1, false)
		halved(1, v2, false)
		return give(false)
	}); err != nil {
		return err
	}
	halved(0, nil, true)
	halved(1, nil, true)
	return give(true)
}

// highHz returns where h ends.
func (h *heard) highHz() float64 { return h.middleHz + h.widthHz/2 }

// extent is how loud both inputs are, of all samples at the rate of the recording.
type extent struct {
	samples      float64
	sum, squares [2]float64
	low, high    float64 // of V2
}

func (e *extent) add(v1, v2 []float64) {
	for i, x := range v2 {
		e.sum[0] += v1[i]
		e.squares[0] += v1[i] * v1[i]
		e.sum[1] += x
		e.squares[1] += x * x
		e.low, e.high = min(e.low, x), max(e.high, x)
	}
	e.samples += float64(len(v2))
}

// level returns the rms about the mean without hum of a power.
func (e *extent) level(hum [2]float64) (rms [2]float64) {
	for ch := range rms {
		mean := e.sum[ch] / e.samples
		rms[ch] = math.Sqrt(max(0, e.squares[ch]/e.samples-mean*mean-hum[ch]))
	}
	return rms
}

// peak returns the largest magnitude of V2 about its mean.
func (e *extent) peak() float64 {
	mean := e.sum[1] / e.samples
	return max(e.high-mean, mean-e.low)
}

// loudnessSeconds is how finely energy is known over time.
const loudnessSeconds = 1e-3

// loudness is the energy of both inputs from the beginning up to every step, hum beside
// the programme.
type loudness struct {
	step, samples int
	sum           [2]float64
	upTo          [2][]float64
	hum           [2]float64 // power of it, which is none of the programme
}

func (l *loudness) add(v [2][]float64) {
	for i := range v[0] {
		if l.samples%l.step == 0 {
			for ch := range v {
				l.upTo[ch] = append(l.upTo[ch], l.sum[ch])
			}
		}
		l.sum[0] += v[0][i] * v[0][i]
		l.sum[1] += v[1][i] * v[1][i]
		l.samples++
	}
}

// between returns the energies between two samples, which steps are finer than.
func (l *loudness) between(from, to int) (e [2]float64) {
	at := func(ch, sample int) float64 {
		x := float64(sample) / float64(l.step)
		i := sample / l.step
		if i+1 >= len(l.upTo[ch]) {
			return l.sum[ch]
		}
		return l.upTo[ch][i] + (x-float64(i))*(l.upTo[ch][i+1]-l.upTo[ch][i])
	}
	for ch := range e {
		e[ch] = at(ch, to) - at(ch, from) - l.hum[ch]*float64(to-from)
	}
	return e
}

// octave is a part of the cells, heard at a rate that suits them.
type octave struct {
	long     *long
	halvings int
	rateHz   float64
	samples  int
	own      [2]int  // the cells from own[0] to before own[1]
	cells    []heard // those, and on either side some that their shapes hang on
	before   int     // of them on the lower side
	topHz    float64 // where they end
	lengths  []int   // of windows
	average  []*averaging
	first    int     // length of windows of the first average, as an index
	skipHz   float64 // width of the bins of the longest windows of all

	lowHz, highHz float64 // where hum is looked for

	each int          // samples of a segment
	v    [2][]float64 // what is at hand
	at   int          // where that begins
	next int          // where the next segment begins

	tones [][]hum.Tone // by segment
	done  int          // segments
	room  inCell
	parts [][]lined // fits to the lines of each segment, by cell of its own
}

// octaves are those of a recording, the lowest first.
type octaves struct {
	all     []*octave
	halvers [2][]*halver
	halved  [][2][]float64 // by halver, their memory
}

// octaves parts the cells. Those of one length of windows are heard at one rate.
func (l *long) octaves(cells []heard, periodHz float64) *octaves {
	lengths := lengths(cells, periodHz, l.rateHz, l.samples)
	bins := make([]float64, len(lengths))
	for i, n := range lengths {
		bins[i] = l.rateHz / float64(n)
	}
	for i := range cells {
		cells[i].choose(bins)
	}
	s := &octaves{}
	const beside = reach * shapings
	for w, from := 0, 0; w < len(lengths); w++ {
		to := from
		for to < len(cells) && cells[to].windows == w {
			to++
		}
		topHz := cells[max(0, min(len(cells), to+beside)-1)].highHz()
		halvings := 0
		for topHz <= halvedPasses*l.rateHz*math.Exp2(-float64(halvings+1)) {
			halvings++
		}
		if n := len(s.all); n == 0 || s.all[n-1].halvings != halvings {
			o := &octave{
				long: l, halvings: halvings, rateHz: l.rateHz * math.Exp2(-float64(halvings)), samples: (l.samples + 1<<halvings - 1) >> halvings,
				own: [2]int{from, to}, first: w, skipHz: bins[0],
			}
			_, o.each = l.segments(o.samples)
			s.all = append(s.all, o)
		}
		o := s.all[len(s.all)-1]
		o.own[1], o.topHz = to, topHz
		o.lengths = append(o.lengths, transform.LengthBelow(lengths[w]>>halvings))
		from = to
	}
	lowHz := l.band.LowHz * humBelow
	for _, o := range s.all {
		low, high := max(0, o.own[0]-beside), min(len(cells), o.own[1]+beside)
		o.cells, o.before = slices.Clone(cells[low:high]), o.own[0]-low
		o.parts = make([][]lined, o.own[1]-o.own[0])
		_, added := l.segments(l.samples)
		for ch := range o.v {
			o.v[ch] = make([]float64, 0, o.each+added>>o.halvings+o.lengths[0]+1)
		}
		o.lowHz, o.highHz = lowHz, min(l.band.HighHz*humAbove, o.rateHz/2)
		if o.halvings+l.halvings > 0 {
			o.highHz = min(o.highHz, halvedPasses*o.rateHz)
		}
		lowHz = o.highHz
		for i := o.own[0]; i < o.own[1]; i++ {
			cells[i].samples, cells[i].rateHz = float64(o.each), o.rateHz
		}
	}
	s.halved = make([][2][]float64, s.all[0].halvings)
	s.rewind()
	return s
}

// rewind makes s ready for the first samples.
func (s *octaves) rewind() {
	s.halvers = [2][]*halver{}
	for halvings := range s.halved {
		var topHz float64 // of what is heard at half the rate and below
		for _, o := range s.all {
			if o.halvings > halvings {
				topHz = o.topHz
			}
		}
		for ch := range s.halvers {
			s.halvers[ch] = append(s.halvers[ch], newHalver(topHz/s.all[len(s.all)-1].rateHz*math.Exp2(float64(halvings))))
		}
	}
	for _, o := range s.all {
		o.at, o.next, o.v = 0, 0, [2][]float64{o.v[0][:0], o.v[1][:0]}
	}
}

// begin makes s ready to measure.
func (s *octaves) begin() {
	s.rewind()
	for _, o := range s.all {
		for _, length := range o.lengths {
			o.average = append(o.average, newAveraging(length, o.samples, o.rateHz, func(from, to int) [2]float64 {
				return o.long.loudness.between(from<<o.halvings, to<<o.halvings)
			}))
		}
	}
}

// tones returns the hum that was found.
func (s *octaves) tones() (all []hum.Tone) {
	for _, o := range s.all {
		all = append(all, hum.Common(o.tones, int(math.Ceil(humSegments*float64(len(o.tones)))))...)
	}
	all = hum.WithMultiples(all, s.all[0].lowHz, s.all[len(s.all)-1].highHz)
	slices.SortFunc(all, func(a, b hum.Tone) int { return cmp.Compare(a.Hz, b.Hz) })
	return all
}

// add adds the samples that follow, of either input, and does something with each
// segment of each octave that is whole. An error is that of ctx.
func (s *octaves) add(ctx context.Context, v [2][]float64, last bool, do func(*octave, context.Context, [2][]float64) (used int, err error)) error {
	for halvings := 0; ; halvings++ {
		for _, o := range s.all {
			if o.halvings == halvings {
				if err := o.add(ctx, v, last, do); err != nil {
					return err
				}
			}
		}
		if halvings == len(s.halved) {
			return nil
		}
		for ch := range v {
			h := s.halvers[ch][halvings]
			y := h.halve(s.halved[halvings][ch][:0], v[ch])
			if last {
				y = h.end(y)
			}
			s.halved[halvings][ch], v[ch] = y, y
		}
	}
}

func (o *octave) add(ctx context.Context, v [2][]float64, last bool, do func(*octave, context.Context, [2][]float64) (used int, err error)) error {
	for ch := range v {
		o.v[ch] = append(o.v[ch], v[ch]...)
	}
	end := o.at + len(o.v[0])
	for o.next+o.each <= end || last && o.next < end {
		from := o.next
		o.next = min(o.next+o.each, end)
		used, err := do(o, ctx, [2][]float64{o.v[0][from-o.at : o.next-o.at], o.v[1][from-o.at : o.next-o.at]})
		if err != nil {
			return err
		}
		for ch := range o.v {
			o.v[ch] = o.v[ch][:copy(o.v[ch], o.v[ch][used-o.at:])]
		}
		o.at = used
	}
	return nil
}

// findHum finds hum in a segment, of which it leaves nothing to use.
func (o *octave) findHum(ctx context.Context, segment [2][]float64) (used int, err error) {
	tones, err := hum.AgainstProgramme(ctx, segment, o.rateHz, o.lowHz, o.highHz)
	o.tones = append(o.tones, tones)
	return o.next, err
}

// measure takes all that there is to take from a segment, and returns from where on
// samples are needed again.
func (o *octave) measure(ctx context.Context, segment [2][]float64) (used int, err error) {
	// What a tone far below leaks is nothing beside any noise.
	tones := hum.InPart(o.long.tones, o.tones[o.done], o.cells[0].middleHz*humBelow, o.highHz)
	o.done++
	if err := hum.TakeOut(ctx, segment, o.rateHz, tones); err != nil {
		return 0, err
	}
	used = o.next
	for _, w := range o.average {
		for ; w.done < w.windows && w.start(w.done)+w.length <= o.next; w.done++ {
			from := w.start(w.done) - o.at
			if err := w.add(ctx, o.v[0][from:], o.v[1][from:]); err != nil {
				return 0, err
			}
		}
		used = min(used, w.start(w.done))
	}
	return used, o.fit(ctx, segment, tones)
}

// fit fits the lines of a segment.
func (o *octave) fit(ctx context.Context, segment [2][]float64, tones []hum.Tone) error {
	lines, err := wholeOf(ctx, segment[0], segment[1], o.rateHz)
	if err != nil {
		return err
	}
	lines.leaveHum(tones, o.skipHz)
	for i := range o.cells {
		h := &o.cells[i]
		if k := h.windows - o.first; k >= 0 && k < len(o.average) {
			w := o.average[k]
			h.leaveSteady(w.welch, w.sum, w.done, lines)
		}
	}
	if err := fitAll(ctx, o.cells, func(i int) lined { return lines.fit(&o.cells[i], &o.room) }); err != nil {
		return err
	}
	for i := range o.parts {
		o.parts[i] = append(o.parts[i], o.cells[o.before+i].lined)
	}
	return nil
}

// finish returns what the windows of o showed.
func (o *octave) finish(ctx context.Context) (spectra []welch, err error) {
	for _, w := range o.average {
		done, err := w.finish(ctx, o.v[0])
		if err != nil {
			return nil, err
		}
		spectra = append(spectra, done)
	}
	return spectra, nil
}

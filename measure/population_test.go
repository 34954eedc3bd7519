package measure_test

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"
	"time"

	"tapload/fixtures/bench/adverse"
	"tapload/fixtures/jig"
	"tapload/measure"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/signal"
)

// What a population asks of a curve: a point is confidently wrong where it is
// off by more than this, in its own standard uncertainties and as a fraction of
// |Z|, and no warning says so, by its frequency or by its kind.
const (
	confidentU   = 6.0
	confidentOff = 1e-3
	warnedWithin = 2.0 // Hz
)

// warnsOf holds the codes of warnings that speak of a condition as a whole.
// Those that name frequencies speak of the points near them.
var warnsOf = map[adverse.Kind][]string{
	adverse.BentLoad:  {"distortion", "bending"},
	adverse.BentInput: {"distortion", "bending"},
	adverse.Warming:   {"drift", "warming", "gain"},
	adverse.GainDrift: {"drift", "warming", "gain"},
	adverse.Burst:     {"burst"},
}

// makes holds the conditions that a warning may speak of.
var makes = map[string][]adverse.Kind{
	"bending":       {adverse.BentLoad, adverse.BentInput},
	"distortion":    {adverse.BentLoad, adverse.BentInput},
	"drift":         {adverse.Warming, adverse.GainDrift},
	"burst":         {adverse.Burst},
	"hum":           humKinds,
	"tone":          humKinds,
	"clock-wanders": {adverse.WanderingClock},
	"slow":          {adverse.SlowDrift},
}

// taken is a card that recorded already.
type taken struct{ rec card.Recording }

func (t taken) Play(context.Context, card.Output) (card.Recording, error) { return t.rec, nil }

// outcome is what came of one case.
type outcome struct {
	adverse.Case
	refused  *card.Fault
	codes    []string
	points   int
	wrong    int     // confidently
	worstU   float64 // of those wrong confidently
	worstOff float64 // of the same, relative
	atHz     float64
	off      float64 // the worst that no warning speaks of, relative
	inside   int     // moduli inside their 95 % band
	took     time.Duration
}

// judged measures c on r as the program does, and holds the curve against the
// truth.
func judged(r *adverse.Rig, c adverse.Case) (outcome, error) {
	o := outcome{Case: c}
	j, err := jig.Uncalibrated(jig.Options{Name: "test", SenseOhm: r.SenseOhm})
	if err != nil {
		return o, err
	}
	begun := time.Now()
	rec, err := measure.Run(context.Background(), measure.Setup{
		Card: taken{c.Recording}, Signal: r.Signal, Jig: j, Label: "test", Now: time.Unix(1.8e9, 0),
	})
	o.took = time.Since(begun)
	o.Recording = card.Recording{}
	switch {
	case errors.As(err, &o.refused):
		return o, nil
	case err != nil:
		return o, fmt.Errorf("%s: %w", c.Text, err)
	}
	var named []impedance.Band
	for _, w := range rec.Warnings {
		o.codes = append(o.codes, w.Code)
		named = append(named, w.Hz...)
	}
	slices.Sort(o.codes)
	o.codes = slices.Compact(o.codes)
	asWhole := slices.ContainsFunc(c.Kinds, func(k adverse.Kind) bool {
		return slices.ContainsFunc(warnsOf[k], func(code string) bool { return slices.Contains(o.codes, code) })
	})
	o.points = len(rec.Curve.Points)
	for i, p := range rec.Curve.Points {
		truth := r.Impedance(p.Hz)
		e := p.Z - truth
		m, u := rec.Curve.Modulus(i)
		if math.Abs(m-cmplx.Abs(truth)) < 1.959964*u { // normal quantile of 97.5 %
			o.inside++
		}
		if asWhole || slices.ContainsFunc(named, func(b impedance.Band) bool {
			return p.Hz > b.Low-warnedWithin && p.Hz < b.High+warnedWithin
		}) {
			continue
		}
		total := rec.Curve.Total(i)
		for _, x := range [2][2]float64{
			{cmplx.Abs(e), math.Sqrt(total.Along(e))},
			{math.Abs(m - cmplx.Abs(truth)), u},
		} {
			off, us := x[0]/cmplx.Abs(truth), x[0]/x[1]
			o.off = max(o.off, off)
			if off > confidentOff && us > confidentU {
				o.wrong++
				if us > o.worstU {
					o.worstU, o.atHz = us, p.Hz
				}
				o.worstOff = max(o.worstOff, off)
				break
			}
		}
	}
	return o, nil
}

// population is a run of cases of one signal.
type population struct {
	signal  signal.Signal
	seed    uint64
	rigs    int
	perRig  int
	highQ   float64 // part of the rigs that have a narrow peak
	perform func(r *adverse.Rig, seed uint64) (adverse.Case, error)
}

// run judges all cases, on all processors.
func (p population) run(tb testing.TB) []outcome {
	tb.Helper()
	var all []outcome
	other, _ := strconv.ParseUint(os.Getenv("TAPLOAD_POPULATION_SEED"), 10, 32)
	for i := range p.rigs {
		seed := (p.seed+100*other)<<20 + uint64(i)
		rig, err := adverse.NewRig(p.signal, seed, float64(i) < p.highQ*float64(p.rigs))
		if err != nil {
			tb.Fatal(err)
		}
		outcomes := make([]outcome, p.perRig)
		next := make(chan int)
		var wait sync.WaitGroup
		for range runtime.NumCPU() {
			wait.Go(func() {
				for k := range next {
					c, err := p.perform(rig, seed<<10+uint64(k))
					if err == nil {
						outcomes[k], err = judged(rig, c)
					}
					if err != nil {
						tb.Error(err)
					}
				}
			})
		}
		for k := range outcomes {
			next <- k
		}
		close(next)
		wait.Wait()
		if p.highQ > 0 && rig.HighQ {
			for k := range outcomes {
				outcomes[k].Text = "high Q, " + outcomes[k].Text
			}
		}
		all = append(all, outcomes...)
	}
	return all
}

// tally is a row of the table.
type tally struct {
	name                          string
	cases, refused, mild, mildOut int
	warned, wrong                 int
	worstU, worstOff, off         float64
}

func (t *tally) take(o outcome) {
	t.cases++
	mild := o.Severe <= adverse.Mild
	if mild {
		t.mild++
	}
	if o.refused != nil {
		t.refused++
		if mild {
			t.mildOut++
		}
		return
	}
	if len(o.codes) > 0 {
		t.warned++
	}
	if o.wrong > 0 {
		t.wrong++
	}
	t.worstU, t.worstOff, t.off = max(t.worstU, o.worstU), max(t.worstOff, o.worstOff), max(t.off, o.off)
}

// table writes a row for each kind of condition and one for all.
func table(w io.Writer, all []outcome) (whole tally) {
	whole.name = "all"
	rows := map[string]*tally{}
	refusals := map[string]int{}
	codes, falsely := map[string]int{}, map[string]int{}
	var took time.Duration
	inside, points := 0, 0
	for _, o := range all {
		whole.take(o)
		took += o.took
		inside, points = inside+o.inside, points+o.points
		names := []string{}
		for _, k := range o.Kinds {
			names = append(names, k.String())
		}
		if len(names) == 0 {
			names = []string{"none"}
		}
		if strings.HasPrefix(o.Text, "high Q") {
			names = append(names, "high Q")
		}
		for _, n := range names {
			if rows[n] == nil {
				rows[n] = &tally{name: n}
			}
			rows[n].take(o)
		}
		if o.refused != nil {
			refusals[o.refused.Cause.String()]++
		}
		for _, c := range o.codes {
			codes[c]++
			if m := makes[c]; m != nil && !slices.ContainsFunc(o.Kinds, func(k adverse.Kind) bool { return slices.Contains(m, k) }) {
				falsely[c]++
			}
		}
	}
	var sorted []*tally
	for _, r := range rows {
		sorted = append(sorted, r)
	}
	slices.SortFunc(sorted, func(a, b *tally) int { return cmp.Or(b.wrong-a.wrong, cmp.Compare(a.name, b.name)) })
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "condition\tsweeps\trefused\tmild\trefused\twarned\twrong\tworst\tby u\tworst unwarned")
	for _, r := range append(sorted, &whole) {
		fmt.Fprintf(tw, "%s\t%d\t%d\t%d\t%d\t%d\t%d\t%.3g %%\t%.3g\t%.3g %%\n", r.name, r.cases, r.refused, r.mild, r.mildOut, r.warned, r.wrong, 100*r.worstOff, r.worstU, 100*r.off)
	}
	tw.Flush()
	fmt.Fprintf(w, "confident wrong per 1000: %.1f; inside the 95 %% band: %.2f %%; %.0f ms a sweep on one of %d processors\n",
		1000*float64(whole.wrong)/float64(whole.cases), 100*float64(inside)/float64(max(1, points)), 1e3*took.Seconds()/float64(len(all)), runtime.NumCPU())
	fmt.Fprintf(w, "refused as %v; warned of %v, of those of what was not there %v\n", refusals, codes, falsely)
	return whole
}

// wrongs writes the worst cases.
func wrongs(w io.Writer, all []outcome, most int) {
	bad := slices.DeleteFunc(slices.Clone(all), func(o outcome) bool { return o.wrong == 0 })
	slices.SortFunc(bad, func(a, b outcome) int { return cmp.Compare(b.worstU, a.worstU) })
	for _, o := range bad[:min(most, len(bad))] {
		fmt.Fprintf(w, "  %.3g u, %.3g %% at %.2f Hz, %d points %v: %s\n", o.worstU, 100*o.worstOff, o.atHz, o.wrong, o.codes, o.Text)
	}
}

// scaled returns how many rigs a run of so many takes, by
// TAPLOAD_POPULATION_PART.
func scaled(rigs int) int {
	if part, err := strconv.ParseFloat(os.Getenv("TAPLOAD_POPULATION_PART"), 64); err == nil {
		return max(1, int(math.Round(part*float64(rigs))))
	}
	return rigs
}

func mixed(r *adverse.Rig, seed uint64) (adverse.Case, error) { return r.Mixed(seed) }

// The population by signal, long. TAPLOAD_POPULATION names which of them to
// run, separated by commas, or all, TAPLOAD_POPULATION_SEED draws others than the
// usual ones; testdata/figures/confidence.txt keeps what came of it.
func TestPopulation(t *testing.T) {
	asked := strings.Split(os.Getenv("TAPLOAD_POPULATION"), ",")
	var o signal.ChirpOptions
	if os.Getenv("TAPLOAD_POPULATION_SHORT") != "" { // a quarter of the time, for a first look
		o = signal.ChirpOptions{PeriodSeconds: signal.DefaultSeconds / 4, LowHz: 20}
	}
	sweep := chirp(t, o)
	type run struct {
		name string
		make func() population
	}
	runs := []run{
		{"clean", func() population {
			return population{signal: sweep, seed: 2, rigs: scaled(10), perRig: 20, perform: func(r *adverse.Rig, seed uint64) (adverse.Case, error) {
				return r.Case(seed, adverse.Clock(rand.New(rand.NewPCG(seed, 1))))
			}}
		}},
		{"bending", func() population {
			return population{signal: sweep, seed: 8, rigs: scaled(20), perRig: 20, highQ: 0.2, perform: bentOrDrifting}
		}},
		{"bending-multitone", func() population {
			return population{signal: multitone(t, signal.MultitoneOptions{}), seed: 9, rigs: scaled(10), perRig: 20, perform: bentOrDrifting}
		}},
		{"bending-tones", func() population {
			return population{signal: tones(t, signal.TonesOptions{PerOctave: 3}), seed: 10, rigs: scaled(10), perRig: 20, perform: bentOrDrifting}
		}},
		{"bending-material", func() population {
			return population{signal: listenFor(t, 30), seed: 11, rigs: scaled(10), perRig: 20, perform: bentOrDrifting}
		}},
		{"hum", func() population {
			return population{signal: sweep, seed: 6, rigs: scaled(30), perRig: 100, perform: humAnywhere}
		}},
	}
	for i, s := range []struct {
		name  string
		make  func() signal.Signal
		rigs  int
		highQ float64
	}{
		{"chirp", func() signal.Signal { return sweep }, 50, 0.2},
		{"multitone", func() signal.Signal { return multitone(t, signal.MultitoneOptions{}) }, 15, 0.2},
		{"tones", func() signal.Signal { return tones(t, signal.TonesOptions{PerOctave: 3}) }, 15, 0},
		{"material", func() signal.Signal { return listenFor(t, 30) }, 15, 0},
	} {
		runs = append(runs,
			run{s.name, func() population {
				return population{signal: s.make(), seed: 10 + uint64(i), rigs: scaled(s.rigs), perRig: 20, highQ: s.highQ, perform: mixed}
			}},
			run{s.name + "-supplies", func() population {
				return population{signal: s.make(), seed: 20 + uint64(i), rigs: scaled(s.rigs), perRig: 20, highQ: s.highQ, perform: supplied}
			}})
	}
	for _, r := range runs {
		t.Run(r.name, func(t *testing.T) {
			if !slices.Contains(asked, r.name) && !slices.Contains(asked, "all") {
				t.Skip("a study of minutes: TAPLOAD_POPULATION=" + r.name)
			}
			begun := time.Now()
			all := r.make().run(t)
			var b strings.Builder
			fmt.Fprintf(&b, "%s\n", r.name)
			table(&b, all)
			fmt.Fprintf(&b, "%.0f s\n", time.Since(begun).Seconds())
			wrongs(&b, all, 40)
			t.Log("\n" + b.String())
		})
	}
}

// supplied is one kind of tone.
func supplied(r *adverse.Rig, seed uint64) (adverse.Case, error) {
	return r.Case(seed, adverse.Clock(rand.New(rand.NewPCG(seed, 1))), humKinds[seed%uint64(len(humKinds))])
}

// humKinds are the conditions that are tones.
var humKinds = []adverse.Kind{
	adverse.Mains, adverse.Generator, adverse.Railway, adverse.Aircraft, adverse.SteadyTone, adverse.SwitchedMode, adverse.USB, adverse.BroadHum,
}

// Of 16 seeded sweeps with hum of every kind, or 48 with TAPLOAD_SEEDS=all, none is
// confidently wrong, and none is refused. The sweeps are a quarter as long as others;
// TestPopulation takes the full length, and testdata/figures/confidence.txt says
// what is left.
func TestNoHumIsConfidentlyWrong(t *testing.T) {
	if testing.Short() {
		t.Skip("a population of one seed shows the same under the race detector")
	}
	sweep := chirp(t, signal.ChirpOptions{PeriodSeconds: signal.DefaultSeconds / 4, LowHz: 20})
	all := population{signal: sweep, seed: 31, rigs: 2, perRig: fewer(3*len(humKinds), 3), highQ: 0.5, perform: supplied}.run(t)
	var b strings.Builder
	whole := table(&b, all)
	if whole.wrong > 0 || whole.refused > 0 {
		wrongs(&b, all, 10)
		t.Errorf("%d wrong and %d refused\n%s", whole.wrong, whole.refused, b.String())
	}
}

// bentOrDrifting is one condition of those that bend or change slowly, with
// white noise or pink.
func bentOrDrifting(r *adverse.Rig, seed uint64) (adverse.Case, error) {
	kinds := []adverse.Kind{adverse.BentLoad, adverse.BentInput, adverse.BentSource, adverse.Warming, adverse.GainDrift}
	k := kinds[seed%uint64(len(kinds))]
	_, heard := r.Signal.(signal.Material) // whose source is whatever it is
	if k == adverse.Warming && !r.Warms() || k == adverse.BentSource && heard {
		k = adverse.GainDrift
	}
	return r.Case(seed, adverse.Clock(rand.New(rand.NewPCG(seed, 1))), k, adverse.Noise)
}

// humAnywhere is hum of 15 to 65 Hz, every other one wandering, on clocks that
// are equal or 40 ppm apart either way.
func humAnywhere(r *adverse.Rig, seed uint64) (adverse.Case, error) {
	d := rand.New(rand.NewPCG(seed, 2))
	wander := 0.0
	if seed%2 == 1 {
		wander = 1e-3 * math.Pow(10, d.Float64())
	}
	level := 1e-4 * math.Pow(30, d.Float64())
	return r.HumCase(seed, 40*float64(d.IntN(3)-1), 15+50*d.Float64(), wander, [2]float64{level, 0.7 * level}, []float64{0.2, 0.4, 0.1}), nil
}

func listenFor(tb testing.TB, seconds float64) signal.Listen {
	tb.Helper()
	l, err := signal.NewListen(signal.DefaultRateHz, seconds, signal.Band{LowHz: 20, HighHz: signal.DefaultHighHz, Coherence: signal.DefaultCoherence})
	if err != nil {
		tb.Fatal(err)
	}
	return l
}

// Hum that leaves a line of the signal in doubt was once taken for harmonics of a
// load that bends, and for a drift.
func TestHumIsNoBendAndNoDrift(t *testing.T) {
	if testing.Short() {
		t.Skip("sweeps of full length")
	}
	sweep := chirp(t, signal.ChirpOptions{})
	for _, tc := range []struct{ rig, sweep uint64 }{{9, 99}, {8, 41}, {4, 63}} { // of hum of 18.1, 54.3 and 26.1 Hz
		seed := uint64(6<<20) + tc.rig
		rig, err := adverse.NewRig(sweep, seed, false)
		if err != nil {
			t.Fatal(err)
		}
		c, err := humAnywhere(rig, seed<<10+tc.sweep)
		if err != nil {
			t.Fatal(err)
		}
		o, err := judged(rig, c)
		if err != nil {
			t.Fatal(err)
		}
		if o.refused != nil || o.wrong > 0 || slices.Contains(o.codes, "bending") || slices.Contains(o.codes, "drift") {
			t.Errorf("%s: refused %v, %d points wrong by up to %.1f u, warned of %v", c.Text, o.refused, o.wrong, o.worstU, o.codes)
		}
	}
}

// Two sweeps of stepped tones beside which hum is broad, or a multiple of the
// railway's that no other dwell shows.
func TestHumBesideATone(t *testing.T) {
	if testing.Short() {
		t.Skip("long sweeps")
	}
	sig := tones(t, signal.TonesOptions{PerOctave: 3})
	for _, tc := range []struct{ rig, sweep uint64 }{{14, 14}, {4, 18}} {
		seed := uint64(12<<20) + tc.rig
		rig, err := adverse.NewRig(sig, seed, false)
		if err != nil {
			t.Fatal(err)
		}
		c, err := rig.Mixed(seed<<10 + tc.sweep)
		if err != nil {
			t.Fatal(err)
		}
		if o, err := judged(rig, c); err != nil || o.refused != nil || o.wrong > 0 {
			t.Errorf("%s: %v, refused %v, %d points wrong by up to %.1f u", c.Text, err, o.refused, o.wrong, o.worstU)
		}
	}
}

// Of 12 seeded sweeps of mixed conditions, or 24 with TAPLOAD_SEEDS=all, none is
// confidently wrong. The sweeps
// are a quarter as long as others.
func TestNoMixedConditionIsConfidentlyWrong(t *testing.T) {
	if testing.Short() {
		t.Skip("a population of one seed shows the same under the race detector")
	}
	sweep := chirp(t, signal.ChirpOptions{PeriodSeconds: signal.DefaultSeconds / 4, LowHz: 20})
	all := population{signal: sweep, seed: 32, rigs: 2, perRig: fewer(12, 2), perform: mixed}.run(t)
	var b strings.Builder
	if whole := table(&b, all); whole.wrong > 0 {
		wrongs(&b, all, 10)
		t.Errorf("%d wrong\n%s", whole.wrong, b.String())
	}
}

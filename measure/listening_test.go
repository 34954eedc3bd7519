package measure_test

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"text/tabwriter"

	"tapload/fixtures/bench"
	"tapload/fixtures/netlist"
	"tapload/measure/card"
	"tapload/measure/impedance"
	"tapload/measure/ratio"
	"tapload/measure/signal"
)

// heardLoads are what is listened to, all invented.
var heardLoads = []struct {
	name   string
	branch []netlist.Branch
}{
	{"ordinary driver", oneDriver(6.3, netlist.Resonance{Hz: 82, Qm: 5.5, Res: 48})},
	{"driver of high Q", oneDriver(5.8, netlist.Resonance{Hz: 45, Qm: 12, Res: 90})},
	{"two resonances", oneDriver(6.5, netlist.Resonance{Hz: 38, Qm: 7, Res: 30}, netlist.Resonance{Hz: 97, Qm: 6, Res: 42})},
	{"16 ohm behind a box", slices.Concat(
		[]netlist.Branch{{Name: "joint 1", From: bench.In, To: "a", Element: netlist.Resistor(0.04)}},
		driverBetween("a", "b", "driver 1", 6.2, netlist.Resonance{Hz: 76, Qm: 6, Res: 50}),
		[]netlist.Branch{{Name: "joint 2", From: "b", To: "c", Element: netlist.Resistor(0.03)}},
		driverBetween("c", bench.Ground, "driver 2", 6.9, netlist.Resonance{Hz: 88, Qm: 4.5, Res: 37}),
	)},
}

func driverBetween(from, to, name string, re float64, r ...netlist.Resonance) []netlist.Branch {
	return []netlist.Branch{{Name: name, From: from, To: to, Element: netlist.Driver{Re: re, Coil: netlist.Coil{K: 0.03, N: 0.65}, Resonances: r}}}
}

func oneDriver(re float64, r ...netlist.Resonance) []netlist.Branch {
	return driverBetween(bench.In, bench.Ground, "driver", re, r...)
}

// heardCards are by their noise and the fundamental of hum in both inputs, in
// dB of full scale.
var heardCards = []struct {
	name       string
	noise, hum float64
}{
	{"good card", -100, -90},
	{"ordinary card", -90, -70},
	{"poor card", -75, -60},
}

// listened is one listening: a kind of programme, a load and a card by their
// index.
type listened struct {
	kind, load, card int
	seed             uint64
}

// take plays the programme of l on a bench and records it. Odd seeds begin and end
// in the middle of it, and have a small sense resistor and inputs that differ.
func (l listened) take(seconds float64, rate int) (*bench.Bench, card.Recording, error) {
	p, c := programmes[l.kind], heardCards[l.card]
	seed := l.seed<<16 + uint64(l.kind*100+l.load*10+l.card)
	in := bench.Input{Noise: bench.DB(c.noise), Hum: bench.DB(c.hum), Offset: 0.001}
	if p.hum > 0 {
		in.Hum = p.hum
	}
	other, sense := in, 10.0
	if l.seed%2 == 1 {
		r := rand.New(rand.NewPCG(seed, 5))
		other.Noise *= math.Exp2(2*r.Float64() - 1)
		other.Hum *= 0.5 + r.Float64()
		sense = 0.47
	}
	b := &bench.Bench{
		Seed: seed, SenseOhm: sense, Bits: 24, Load: heardLoads[l.load].branch,
		Source: bench.Source{Ohm: 2}, Inputs: [2]bench.Input{in, other},
		HumHz: 49.97, HumHarmonics: []float64{0.3, 0.4, 0.15, 0.2, 0.1, 0.1, 0.05, 0.05},
		Latency: 0.05, LeadOut: 0.2, ClockError: 20e-6,
	}
	take, err := b.Prepare(card.Output{RateHz: rate, Channels: [][]float64{p.sound(seconds, float64(rate), 0.5, seed)}})
	if err != nil {
		return nil, card.Recording{}, err
	}
	rec := take.Record(seed)
	if l.seed%2 == 1 {
		off := rate/2 + int(seed)%rate
		rec.V1, rec.V2 = rec.V1[off:len(rec.V1)-off], rec.V2[off:len(rec.V2)-off]
	}
	return b, rec, nil
}

// heardTally counts points of curves from program material.
type heardTally struct {
	refused, points, inside, beyond int
	counts                          []int     // points of each curve
	sure                            []float64 // standard uncertainty of |Z| of each point, as a part of it
	worst                           float64   // error, in standard uncertainties
}

func (h *heardTally) add(o heardTally) {
	h.refused, h.points, h.inside, h.beyond = h.refused+o.refused, h.points+o.points, h.inside+o.inside, h.beyond+o.beyond
	h.counts, h.sure = append(h.counts, o.counts...), append(h.sure, o.sure...)
	h.worst = max(h.worst, o.worst)
}

func (h *heardTally) part() float64 { return float64(h.inside) / float64(max(1, h.points)) }

// heldAgainst holds g against the truth of b: |Z| within two standard uncertainties,
// and off by more than six of them, in |Z| or as a complex number.
func heldAgainst(g ratio.Ratio, b *bench.Bench) heardTally {
	h := heardTally{points: len(g.Points), counts: []int{len(g.Points)}}
	sense := complex(b.SenseOhm, 0)
	for i, p := range g.Points {
		truth := b.Impedance(p.Hz)
		by, z := sense/((1-p.G)*(1-p.G)), sense*p.G/(1-p.G)
		cov := p.Noise.Times(by)
		for _, s := range g.Shared {
			d := by * s.DG[i]
			cov = cov.Add(impedance.Cov{RR: real(d) * real(d), RI: real(d) * imag(d), II: imag(d) * imag(d)})
		}
		u := math.Sqrt(cov.Along(z))
		modulus := math.Abs(cmplx.Abs(z)-cmplx.Abs(truth)) / u
		off := max(modulus, cmplx.Abs(z-truth)/math.Sqrt(cov.Along(z-truth)))
		if modulus < 2 {
			h.inside++
		}
		if off > 6 {
			h.beyond++
		}
		h.worst = max(h.worst, off)
		h.sure = append(h.sure, u/cmplx.Abs(z))
	}
	return h
}

// allListenings returns every kind of programme on every card, on two of the loads by
// turns, with TAPLOAD_SEEDS=all, and by default one of each kind. TAPLOAD_POPULATION_SEED
// draws others from an even seed on.
func allListenings() (all []listened) {
	var first uint64
	fmt.Sscan(os.Getenv("TAPLOAD_POPULATION_SEED"), &first)
	for kind := range programmes {
		if os.Getenv("TAPLOAD_SEEDS") != "all" {
			all = append(all, listened{kind, kind % len(heardLoads), kind % len(heardCards), first + uint64(kind%2)})
			continue
		}
		for on := range heardCards {
			for seed := range uint64(2) {
				load := kind + on + 2*int(seed)
				all = append(all, listened{kind, load % len(heardLoads), on, first + seed})
			}
		}
	}
	return all
}

// Whatever is played, the stated 95 % band (k = 2) holds the truth at 93 to 97 % of
// all points and at 90 % of those of any kind, and no more than one point in 1000 is off
// by more than six standard uncertainties. testdata/figures/program-material.txt keeps
// what came of all seeds.
func TestListeningCovers(t *testing.T) {
	if testing.Short() {
		t.Skip("minutes of sound")
	}
	listeningCovers(t, 60, allListenings())
}

// The same of recordings that are worked on in segments.
func TestLongListeningCovers(t *testing.T) {
	if os.Getenv("TAPLOAD_SEEDS") != "all" {
		t.Skip("three quarters of an hour of sound")
	}
	var all []listened
	for kind := range programmes {
		all = append(all, listened{kind, kind % len(heardLoads), kind % len(heardCards), uint64(kind % 2)})
	}
	listeningCovers(t, 300, all)
}

func listeningCovers(t *testing.T, seconds float64, all []listened) {
	const rate = 16000
	sig, err := signal.NewListen(rate, seconds, signal.Band{LowHz: 10, HighHz: 7000, Coherence: signal.DefaultCoherence})
	if err != nil {
		t.Fatal(err)
	}
	rows := map[string]*heardTally{}
	row := func(name string) *heardTally {
		if rows[name] == nil {
			rows[name] = &heardTally{}
		}
		return rows[name]
	}
	work := make(chan listened)
	var mu sync.Mutex
	var wait sync.WaitGroup
	for range runtime.NumCPU() {
		wait.Go(func() {
			for l := range work {
				b, rec, err := l.take(seconds, rate)
				if err != nil {
					t.Error(err)
					continue
				}
				h := heardTally{refused: 1}
				if g, err := ratio.Of(t.Context(), rec, sig); err == nil {
					h = heldAgainst(g, b)
				}
				mu.Lock()
				for _, name := range []string{"all", programmes[l.kind].name, heardLoads[l.load].name, heardCards[l.card].name} {
					row(name).add(h)
				}
				mu.Unlock()
			}
		})
	}
	for _, l := range all {
		work <- l
	}
	close(work)
	wait.Wait()

	var out strings.Builder
	tw := tabwriter.NewWriter(&out, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(tw, "\tcurves\trefused\tpoints a curve\tinside\tbeyond 6 u\tworst\tmedian u of |Z|\t")
	line := func(name string) {
		h := row(name)
		slices.Sort(h.counts)
		slices.Sort(h.sure)
		middle, sure := 0, 0.0
		if h.points > 0 {
			middle, sure = h.counts[len(h.counts)/2], h.sure[len(h.sure)/2]
		}
		fmt.Fprintf(tw, "%s\t%d\t%d\t%d\t%.1f %%\t%d of %d\t%.1f u\t%.3f %%\t\n", name, len(h.counts), h.refused, middle, 100*h.part(), h.beyond, h.points, h.worst, 100*sure)
	}
	for _, p := range programmes {
		line(p.name)
		if h := row(p.name); h.points == 0 || h.part() < 0.9 {
			t.Errorf("%s: %.1f %% of %d points inside their 95 %% band, want 90 %% or more", p.name, 100*h.part(), h.points)
		}
	}
	for _, l := range heardLoads {
		line(l.name)
	}
	for _, c := range heardCards {
		line(c.name)
	}
	line("all")
	tw.Flush()
	t.Log("\n" + out.String())
	whole := row("all")
	// One listening of each kind is too few to be called too unsure.
	if part := whole.part(); part < 0.93 || part > 0.97 && os.Getenv("TAPLOAD_SEEDS") == "all" {
		t.Errorf("%.2f %% of points inside their 95 %% band, want 93 to 97 %%", 100*part)
	}
	if 1000*whole.beyond > whole.points {
		t.Errorf("%d of %d points are off by more than six standard uncertainties", whole.beyond, whole.points)
	}
}

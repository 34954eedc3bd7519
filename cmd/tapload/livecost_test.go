package main

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/browsertest"
	"tapload/fixtures/netlist"
	"tapload/measure/card"
	"tapload/measure/card/portaudio"
)

// timed is a sound system that knows when its last stream began.
type timed struct {
	plugged
	mu    *sync.Mutex
	began *time.Time
}

func (s timed) open(portaudio.Options) (soundCard, error) { return s, nil }

func (s timed) Stream(ctx context.Context, l card.Loop) (card.Stream, error) {
	str, err := s.plugged.Stream(ctx, l)
	s.mu.Lock()
	defer s.mu.Unlock()
	*s.began = time.Now()
	return str, err
}

// timePaints notes of each moment its second of sound, its state and when it was
// painted: a message that is sent in a frame comes after that frame's paint.
const timePaints = `{
	window.painted = [];
	const parse = JSON.parse;
	JSON.parse = (text) => {
		const v = parse(text);
		if (v && v.seconds !== undefined) requestAnimationFrame(() => {
			const c = new MessageChannel();
			c.port1.onmessage = () => window.painted.push([v.seconds, v.state === 'steady' ? 1 : 0, performance.timeOrigin + performance.now()]);
			c.port2.postMessage(0);
		});
		return v;
	};
}`

// ticksOf is the processor time of a process and all below it, and their resident
// memory in MiB. A page shared by several counts for each.
func ticksOf(tb testing.TB, pid int) (busy time.Duration, mib float64) {
	tb.Helper()
	all, err := filepath.Glob("/proc/[0-9]*/stat")
	if err != nil {
		tb.Fatal(err)
	}
	type process struct {
		parent int
		busy   time.Duration
		mib    float64
	}
	processes := map[int]process{}
	for _, path := range all {
		data, err := os.ReadFile(path)
		if err != nil {
			continue // it ended
		}
		head, rest, _ := strings.Cut(string(data), " (")
		f := strings.Fields(rest[strings.LastIndex(rest, ")")+1:])
		number := func(i int) int { n, _ := strconv.Atoi(f[i]); return n }
		id, _ := strconv.Atoi(head)
		const tick = 10 * time.Millisecond // USER_HZ of Linux
		processes[id] = process{number(1), time.Duration(number(11)+number(12)) * tick, float64(number(21)*os.Getpagesize()) / (1 << 20)}
	}
	for id, p := range processes {
		for at := id; at > 1; at = processes[at].parent {
			if at == pid {
				busy, mib = busy+p.busy, mib+p.mib
				break
			}
		}
	}
	return busy, mib
}

// BenchmarkLivePage is what the page costs, and how late it is, in real time, for
// TAPLOAD_LIVE_SECONDS. The plug is pulled and put back every 10 s. The program's
// share is that of this process, which is the bench, the page's server and the test.
func BenchmarkLivePage(b *testing.B) {
	seconds, err := strconv.Atoi(os.Getenv("TAPLOAD_LIVE_SECONDS"))
	if err != nil {
		seconds = 30
	}
	sound := timed{invented(b, nil), &sync.Mutex{}, new(time.Time)}
	cabinet := netlist.Driver{Re: 13.3, Coil: netlist.Coil{K: 0.04, N: 0.66}, Resonances: []netlist.Resonance{{Hz: 134, Qm: 4.4, Res: 71}}}
	b.Chdir(b.TempDir())
	for b.Loop() {
		browser := browsertest.Start(b)
		p := browser.Open("about:blank")
		p.Size(1280, 800)
		p.Call("Page.enable", nil, nil)
		p.Call("Page.addScriptToEvaluateOnNewDocument", map[string]any{"source": timePaints}, nil)
		began := time.Now()
		p.Go(livePageOn(b, sound, onCard...))
		p.Wait("window.painted.some((m) => m[1] === 1)")
		first := time.Since(began)
		time.Sleep(5 * time.Second)
		busy, _ := ticksOf(b, os.Getpid())
		theirs, _ := ticksOf(b, browser.PID)
		var heap []float64
		var pulled []time.Time
		for at := time.Now(); time.Since(at) < time.Duration(seconds)*time.Second; {
			sound.connect(b, netlist.Open())
			pulled = append(pulled, time.Now())
			time.Sleep(2 * time.Second)
			sound.connect(b, cabinet)
			time.Sleep(8 * time.Second)
			if n := time.Since(at) / (time.Duration(seconds) * time.Second / 4); int(n) > len(heap) {
				runtime.GC()
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				heap = append(heap, float64(m.HeapAlloc)/(1<<20))
			}
		}
		over := time.Since(began.Add(first + 5*time.Second)).Seconds()
		busyNow, mib := ticksOf(b, os.Getpid())
		theirsNow, theirMiB := ticksOf(b, browser.PID)
		var painted [][3]float64
		p.Eval("window.painted", &painted)
		var late, shown []float64
		for _, m := range painted {
			late = append(late, m[2]-float64(sound.began.UnixMicro())/1e3-1e3*m[0])
		}
		for _, t := range pulled {
			for _, m := range painted {
				if ms := m[2] - float64(t.UnixMicro())/1e3; ms > 0 && m[1] == 0 {
					shown = append(shown, ms)
					break
				}
			}
		}
		slices.Sort(late)
		slices.Sort(shown)
		part := func(x []float64, p float64) float64 { return x[int(p*float64(len(x)-1))] }
		b.ReportMetric(first.Seconds(), "s_to_the_first_curve")
		b.ReportMetric(100*(busyNow-busy-(theirsNow-theirs)).Seconds()/over, "%_of_a_core_program")
		b.ReportMetric(100*(theirsNow-theirs).Seconds()/over, "%_of_a_core_browser")
		b.ReportMetric(part(late, 0.5), "ms_sample_to_paint_p50")
		b.ReportMetric(part(late, 0.95), "ms_sample_to_paint_p95")
		b.ReportMetric(part(shown, 0.5), "ms_plug_out_to_paint_p50")
		b.ReportMetric(part(shown, 1), "ms_plug_out_to_paint_most")
		b.ReportMetric(float64(len(shown)), "plugs_pulled")
		b.ReportMetric(float64(len(painted)), "moments")
		b.ReportMetric(mib-theirMiB, "MiB_program")
		b.ReportMetric(theirMiB, "MiB_browser")
		fmt.Printf("heap after a collection, MiB: %.1f\n", heap)
	}
}

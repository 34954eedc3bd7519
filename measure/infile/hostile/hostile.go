// Package hostile holds readers to what they owe whoever meets a bad input: no
// panic, little time and memory, and one sentence that says what is wrong. It makes
// such inputs out of sound ones, by what they are made of and not byte by byte
// alone, so that most get past a reader's first look.
//
// An input follows from its number alone, which a failure names.
package hostile

import (
	"fmt"
	"math/rand/v2"
	"os"
	"regexp"
	"runtime/debug"
	"runtime/metrics"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"tapload/measure/oneline"
	"tapload/measure/processor"
)

// What one input may take.
var (
	mostTime         = time.Second
	mostBytes uint64 = 200 << 20
)

// mostRunes is how long a sentence may be, characters.
const mostRunes = 300

// A Maker makes one malformed input out of sound ones of a kind, which it does not
// change. Few of those that it makes are sound by chance.
type Maker func(r *rand.Rand, sound []string) string

// All is how many inputs a reader meets with TAPLOAD_SEEDS=all, and few how many
// without.
const all, few = 10_000, 300

// Test runs a reader on many malformed inputs, no two alike. The reader returns an
// error for what it refuses, and fails t where what it took cannot be used. It must
// take all that is sound, and refuse half of the inputs at least: others would try
// nothing.
func Test(t *testing.T, of Maker, sound []string, read func(t testing.TB, text string) error) {
	t.Helper()
	for _, text := range sound {
		if err := read(t, text); err != nil {
			t.Fatalf("%.200q is sound and was refused: %v", text, err)
		}
		if t.Failed() {
			t.Fatalf("%.200q is sound", text)
		}
	}
	n := few
	if os.Getenv("TAPLOAD_SEEDS") == "all" {
		n = all
	}
	seen, kinds, taken := map[string]bool{}, map[string]bool{}, 0
	for number := uint64(0); len(seen) < n; number++ {
		if number == uint64(10*n) {
			t.Fatalf("of %d inputs %d are different; the maker repeats itself", number, len(seen))
		}
		text := Make(of, sound, number)
		if seen[text] {
			continue
		}
		seen[text] = true
		err := Read(t, text, read)
		if t.Failed() {
			t.Fatalf("input number %d: %.4000q", number, text)
		}
		if err == nil {
			taken++
		} else {
			kinds[particular.ReplaceAllString(err.Error(), "")] = true
		}
	}
	t.Logf("%d inputs: %d taken, the others refused with %d different sentences", n, taken, len(kinds))
	if taken > n/2 {
		t.Errorf("%d of %d inputs were taken; at most half may be", taken, n)
	}
}

// particular is what sentences of one kind differ by.
var particular = regexp.MustCompile(`"(?:[^"\\]|\\.)*"|[-+.\d]+`)

// Make makes input number so-and-so.
func Make(of Maker, sound []string, number uint64) string {
	return of(rand.New(rand.NewPCG(number, 0)), sound)
}

// Fuzz has the fuzzer change what is sound, some malformed inputs and some that are
// far too large, and runs the reader on those.
func Fuzz(f *testing.F, of Maker, sound []string, read func(t testing.TB, text string) error) {
	for _, text := range append(sound, endless()...) {
		f.Add(text)
	}
	for number := range uint64(50) {
		f.Add(Make(of, sound, all+number))
	}
	f.Fuzz(func(t *testing.T, text string) { _ = Read(t, text, read) })
}

// endless returns what decoders and patterns take without end. It is not a variable:
// every start of a program that a test runs would make it anew.
func endless() []string {
	var many strings.Builder // keys that all differ
	for i := range 300_000 {
		fmt.Fprintf(&many, "k%d = 1\n", i)
	}
	return []string{
		"", strings.Repeat("[", 50_000), strings.Repeat(`{"a":`, 50_000), "a = " + strings.Repeat("[", 50_000), strings.Repeat("a.", 50_000) + "b = 1", "a = " + strings.Repeat("{a=", 50_000),
		`{"label": "` + strings.Repeat("x", 1<<20) + `"}`, "{" + strings.Repeat(`"a":1,`, 300_000) + `"b":1}`, `{"a":[` + strings.Repeat("1,", 1_000_000) + "1]}", many.String(), "[percent]\n" + many.String(), strings.Repeat("(", 50_000) + "a",
	}
}

// goWords are those of a program, not of a bench. What an input says may be quoted.
var goWords = regexp.MustCompile(`strconv|nmarshal|\bGo\b|\bstruct\b|(^|[^.\w])(json|toml):|reflect|<nil>|\bnil\b|runtime|panic|float64|\bu?int(8|16|32|64)\b|map\[|%!|NaN \+|\{RR|\bEOF\b|\brune\b|\bslice\b|bare "|looking for beginning`)

// Read runs a reader on one input and holds it to the rules.
func Read(t testing.TB, text string, read func(t testing.TB, text string) error) error {
	t.Helper()
	before := allocated()
	took, err := timed(t, text, read)
	bytes := allocated() - before
	for again := 0; took > mostTime && again < 3; again++ { // the machine may have been busy
		once, _ := timed(t, text, read)
		took = min(took, once)
	}
	if took > mostTime {
		t.Errorf("%.60q took %v, four times", text, took)
	}
	if bytes > mostBytes {
		t.Errorf("%.60q took %d MB", text, bytes>>20)
	}
	if err == nil {
		return nil
	}
	said := err.Error()
	switch {
	case said == "":
		t.Errorf("%.60q: refused without a word", text)
	case utf8.RuneCountInString(said) > mostRunes:
		t.Errorf("%.60q: %d characters: %s", text, utf8.RuneCountInString(said), said)
	case slices.ContainsFunc(goWords.FindAllString(said, -1), func(word string) bool { return !strings.Contains(text, word) }):
		t.Errorf("%.60q: words of a program: %s", text, said)
	case oneline.Plain(said) != nil:
		t.Errorf("%.60q: %q %v", text, said, oneline.Plain(said))
	}
	return err
}

// timed is held, and the time that it took: by the clock or, where others keep the
// machine busy, of the processors.
func timed(t testing.TB, text string, read func(t testing.TB, text string) error) (time.Duration, error) {
	t.Helper()
	start, began := time.Now(), processor.Time()
	err := held(t, text, read)
	return min(time.Since(start), processor.Time()-began), err
}

// held is read, with a panic as a failure of t.
func held(t testing.TB, text string, read func(t testing.TB, text string) error) (err error) {
	t.Helper()
	defer func() {
		if p := recover(); p != nil {
			t.Errorf("%.60q: panic: %v\n%s", text, p, debug.Stack())
		}
	}()
	return read(t, text)
}

// allocated is how many bytes the program has ever taken from the heap.
func allocated() uint64 {
	sample := []metrics.Sample{{Name: "/gc/heap/allocs:bytes"}}
	metrics.Read(sample)
	return sample[0].Value.Uint64()
}

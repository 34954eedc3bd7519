package hostile

import (
	"errors"
	"strings"
	"testing"
	"time"

	"tapload/measure/processor"
)

// failures is a test that only keeps what was said against a reader.
type failures struct {
	testing.TB
	said []string
}

func (f *failures) Helper()                        {}
func (f *failures) Errorf(format string, _ ...any) { f.said = append(f.said, format) }

// Each rule has a reader that breaks it and one that keeps it.
func TestRulesBite(t *testing.T) {
	defer func(time time.Duration, bytes uint64) { mostTime, mostBytes = time, bytes }(mostTime, mostBytes)
	mostTime, mostBytes = 20*time.Millisecond, 2<<20
	var kept []byte
	for what, c := range map[string]struct {
		read func(testing.TB, string) error
		want string
	}{
		"a panic":       {func(testing.TB, string) error { panic("x") }, "panic"},
		"time":          {func(testing.TB, string) error { spin(25 * time.Millisecond); return nil }, "four times"},
		"a short time":  {func(testing.TB, string) error { spin(time.Millisecond); return nil }, ""},
		"memory":        {func(testing.TB, string) error { kept = make([]byte, 3<<20); return nil }, "MB"},
		"less memory":   {func(testing.TB, string) error { kept = make([]byte, 1<<20); return nil }, ""},
		"no word":       {func(testing.TB, string) error { return errors.New("") }, "without a word"},
		"a long word":   {func(testing.TB, string) error { return errors.New(strings.Repeat("é", 301)) }, "characters"},
		"a good length": {func(testing.TB, string) error { return errors.New(strings.Repeat("é", 300)) }, ""},
		"a type":        {func(testing.TB, string) error { return errors.New("cannot unmarshal string") }, "words of a program"},
		"its prefix":    {func(testing.TB, string) error { return errors.New("toml: no such key") }, "words of a program"},
		"a file's name": {func(testing.TB, string) error { return errors.New("job.toml: no such key") }, ""},
		"an input's":    {func(testing.TB, string) error { return errors.New("expected a key, found text panic") }, ""},
		"two lines":     {func(testing.TB, string) error { return errors.New("a\nb") }, "%q %v"},
		"a direction":   {func(testing.TB, string) error { return errors.New("a\u202eb") }, "%q %v"},
	} {
		f := &failures{TB: t}
		_ = Read(f, "a text panic", c.read)
		if said := strings.Join(f.said, "\n"); c.want == "" && said != "" || !strings.Contains(said, c.want) {
			t.Errorf("%s: %q, want %q", what, said, c.want)
		}
	}
	_ = kept
}

// spin keeps a processor busy.
func spin(long time.Duration) {
	for until := processor.Time() + long; processor.Time() < until; {
	}
}

// A maker leaves what is sound as it is, makes the same of one number each time, and
// seldom the sound text itself.
func TestMakers(t *testing.T) {
	wav := "RIFF\x2c\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x80\xbb\x00\x00\x00\xee\x02\x00\x04\x00\x10\x00data\x08\x00\x00\x00abcdefgh"
	for what, c := range map[string]struct {
		of    Maker
		sound string
	}{
		"JSON": {JSON, `{"a": [1, 2, {"b": "c"}], "d": null}`}, "TOML": {TOML, "a = [1, 2]\nb = \"c\"\n[[d]]\ne = 1.5\n"},
		"rows": {Rows(",", "a", "8"), "a,b\n1,2\n3,4\n"}, "WAV": {WAV, wav}, "bytes": {Bytes, "a few bytes"},
	} {
		same, different := 0, map[string]bool{}
		for number := range uint64(500) {
			text := Make(c.of, []string{c.sound}, number)
			if text != Make(c.of, []string{c.sound}, number) {
				t.Errorf("%s: number %d makes two texts", what, number)
			}
			if different[text] = true; text == c.sound {
				same++
			}
		}
		if same > 50 || len(different) < 250 {
			t.Errorf("%s: of 500 texts %d are sound, and %d different", what, same, len(different))
		}
	}
}

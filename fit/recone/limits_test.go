package recone

import (
	"strings"
	"testing"
)

func TestReadLimits(t *testing.T) {
	for _, text := range []string{"[percent]\nre = [-1, 2.5]\nfs = \"none\"\n", "percent = { re = [-1, 2.5], fs = \"none\" }", "percent.re = [-1, 2.5]\npercent.fs = \"none\"", "\ufeff[percent]\r\nre = [-1, 2.5]\r\nfs = \"none\"\r\n"} {
		l, err := ReadLimits(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		_, fs := l["fs"]
		if l["re"] != (Limit{-1, 2.5}) || fs || l["q_ts"] != DefaultLimits()["q_ts"] {
			t.Errorf("%q: %v", text, l)
		}
	}
}

func TestLimitErrorsNameLineAndKey(t *testing.T) {
	for _, c := range []struct {
		text string
		want []string
	}{
		{"[percent]\nre = [-1, 2]\nqts = [-1, 1]", []string{"line 3", "percent.qts", "known are re, fs"}},
		{"# ours\n\nre = [-1, 2]", []string{"line 3", `"re"`, "[percent]"}},
		{"percent = 3", []string{"line 1", "percent", "table"}},
		{"[percent]\nfs = 5", []string{"line 2", "percent.fs", "two numbers"}},
		{"[percent]\nfs = [1, 2, 3]", []string{"line 2", "percent.fs", "two numbers"}},
		{"[percent]\nfs = [\"a\", 2]", []string{"line 2", "percent.fs", "two numbers"}},
		{"[percent]\n\nfs = [nan, 2]", []string{"line 3", "percent.fs", "finite number"}},
		{"[percent]\nfs = [5, -5]", []string{"line 2", "percent.fs", "below the second"}},
		{"[percent]\nfs = [5, 10]", []string{"line 2", "percent.fs", "0 must lie inside"}},
		{"percent = { re = [-1, 1], fs = [5, 10] }", []string{"line 1", "percent.fs"}},
		{"[percent]\nre = [-1, 2]\nre = [-1, 2]", []string{"line 3", "re"}},
		{"[percent]\nre = [-1, 2", []string{"line 2"}},
	} {
		_, err := ReadLimits(strings.NewReader(c.text))
		if err == nil {
			t.Errorf("%q: no error", c.text)
			continue
		}
		for _, want := range c.want {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%q: %q does not say %q", c.text, err, want)
			}
		}
	}
}

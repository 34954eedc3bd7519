package main

import (
	"context"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/manual"
)

// The pages in the manual's topics are what the program prints for the command
// above them. Numbers move with the last digit of the estimators and are compared
// to 2 % of themselves, uncertainties not at all. A page that ends in ... is
// compared so far. With TAPLOAD_UPDATE=pages the topics are brought up to date.
func TestTopicPages(t *testing.T) {
	folder := t.TempDir()
	cab := func(name string) string { return filepath.Join(folder, name+recordSuffix) }
	exits := func(t *testing.T, want int, args ...string) string {
		var out, log strings.Builder
		e := env{stdout: &out, stderr: &log, getenv: os.Getenv, now: time.Now}
		if code := run(context.Background(), args, e); code != want {
			t.Fatalf("%v exited with %d, want %d: %s", args, code, want, log.String())
		}
		return out.String()
	}
	for _, m := range [][2]string{ // in this order of their times
		{"cab", "unmarked-cabinet"}, {"small", "sixteen-ohm-cabinet"}, {"second", "second-sixteen-cabinet"},
		{"box", "box-common-sleeves"}, {"before", "driver-before-recone"}, {"after", "driver-after-recone"},
	} {
		name, bench := m[0], m[1]
		label := name
		if name == "cab" {
			label = "unmarked cabinet"
		}
		exits(t, exitDone, "sweep", "--bench", "../../testdata/bench/"+bench+".toml", "-o", cab(name), "--label", label)
	}
	for _, page := range []struct {
		topic, shown string // what the command begins with
		args         []string
		code         int
	}{
		{"loads", "tapload fit", []string{"fit", cab("cab")}, exitDone},
		{"hookups", "tapload hookup", []string{"hookup", "cab || small", "cab=" + cab("cab"), "small=" + cab("small"), "--tap", "4,8,16",
			"--watts", "50", "--load-watts", "cab=60,small=15", "--cable-awg", "18", "--cable-m", "6"}, exitDone},
		{"hookups", "tapload plan", []string{"plan", "cab=" + cab("cab"), "small=" + cab("small"), "other=16", "--tap", "4,8,16",
			"--watts", "50", "--load-watts", "cab=60,small=15,other=30"}, exitDone},
		{"boxes", "tapload box sheet", []string{"box", "sheet", "a + b", "a=8", "b=8", "--tap", "4,8,16"}, exitDone},
		{"boxes", "tapload box verify --cab", []string{"box", "verify", "--cab", "a=" + cab("small"), "--cab", "b=" + cab("second"), "--seen", cab("box")}, exitFail},
		{"recone", "tapload compare before", []string{"compare", cab("before"), cab("after")}, exitFail},
	} {
		t.Run(strings.TrimPrefix(page.shown, "tapload "), func(t *testing.T) {
			topic, is := manual.Find(page.topic)
			if !is {
				t.Fatalf("there is no topic %s", page.topic)
			}
			_, after, _ := strings.Cut(topic.Source, "```\n"+page.shown)
			_, after, _ = strings.Cut(after, "\n```\n") // the end of the command
			_, after, _ = strings.Cut(after, "\n```\n")
			want, _, is := strings.Cut(after, "```")
			if !is {
				t.Fatalf("the topic %s shows no page of %q", page.topic, page.shown)
			}
			got := exits(t, page.code, page.args...)
			if os.Getenv("TAPLOAD_UPDATE") == "pages" {
				updatePage(t, page.topic, want, got)
				return
			}
			samePage(t, want, got)
		})
	}
}

// updatePage puts a page in the place of another, as many lines of it where that
// ends in "...".
func updatePage(t *testing.T, topic, old, page string) {
	t.Helper()
	if head, cut := strings.CutSuffix(old, "...\n"); cut {
		lines := strings.SplitAfter(page, "\n")
		page = strings.Join(lines[:min(len(lines), strings.Count(head, "\n"))], "") + "...\n"
	}
	path := "internal/manual/topics/" + topic + ".md"
	source, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	writeText(t, path, strings.Replace(string(source), old, page, 1))
}

// The menu that the topic of jobs shows is the guide's.
func TestTopicMenu(t *testing.T) {
	topic, _ := manual.Find("jobs")
	t.Chdir(t.TempDir()) // where no job is
	var screen, log strings.Builder
	e := env{stdin: strings.NewReader("q\n"), talks: true, stdout: &screen, stderr: &log, getenv: os.Getenv, now: time.Now}
	if code := run(context.Background(), nil, e); code != exitDone {
		t.Fatalf("exited with %d: %s", code, log.String())
	}
	const begins = "  1  "
	_, menu, _ := strings.Cut(screen.String(), begins)
	if menu = strings.TrimRight(menu, " \n"); menu == "" || !strings.Contains(topic.Source, "```\n"+begins+menu+"\n```") {
		t.Errorf("the topic does not show the menu as it is:\n%s%s", begins, menu)
	}
}

func samePage(t *testing.T, want, got string) {
	t.Helper()
	shown, printed := strings.Fields(want), strings.Fields(got)
	if n := len(shown) - 1; shown[n] == "..." {
		shown = shown[:n]
		printed = printed[:min(n, len(printed))]
	}
	if len(shown) != len(printed) {
		t.Fatalf("the page has changed; the topic shows\n%s\nand the program prints\n%s", want, got)
	}
	for i, s := range shown {
		a, errA := strconv.ParseFloat(s, 64)
		b, errB := strconv.ParseFloat(printed[i], 64)
		if i > 0 && shown[i-1] == "±" {
			continue
		}
		if s != printed[i] && (errA != nil || errB != nil || math.Abs(a-b) > 0.02*math.Abs(a)) {
			t.Errorf("the topic shows %q where the program prints %q:\n%s", s, printed[i], got)
		}
	}
}

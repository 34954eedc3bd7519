package manual

import (
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"tapload/plot/report"
)

// Every topic has a title and a lead, fits a terminal, has its pictures, and its manual page is
// taken by the formatter without a warning.
func TestTopics(t *testing.T) {
	if len(Topics()) < 8 {
		t.Fatalf("%d topics", len(Topics()))
	}
	groff, err := exec.LookPath("groff")
	if err != nil && os.Getenv("TAPLOAD_REQUIRE_RIG") != "" {
		t.Fatal("there is no groff: install what .ci/deps names")
	}
	pages := Pages(&cobra.Command{Use: "tapload", Short: "x", Run: func(*cobra.Command, []string) {}}, time.Time{})
	for _, topic := range Topics() {
		t.Run(topic.Name, func(t *testing.T) {
			d := topic.Page()
			if d.Title == "" || d.Lead == "" || len(d.Sections) == 0 {
				t.Errorf("title %q, lead %q, %d sections", d.Title, d.Lead, len(d.Sections))
			}
			var text strings.Builder
			if err := d.Text(&text, 80); err != nil {
				t.Fatal(err)
			}
			narrow(t, text.String())
			var page strings.Builder
			if err := d.HTML(t.Context(), &page, report.A4); err != nil || strings.Count(page.String(), "<svg ") != strings.Count(topic.Source, "\n![") {
				t.Errorf("a picture is missing from its page: %v", err)
			}
			source := pages[topicName(topic)+".1"]
			if !strings.HasPrefix(source, ".TH TAPLOAD\\-TOPIC\\-") {
				t.Fatalf("the page begins with %.40q", source)
			}
			if groff == "" {
				t.Skip("there is no groff")
			}
			page.Reset()
			var warnings strings.Builder
			cmd := exec.Command(groff, "-man", "-ww", "-Tutf8", "-P-cbou")
			cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(source), &page, &warnings
			if err := cmd.Run(); err != nil || warnings.Len() > 0 {
				t.Errorf("%v %s", err, warnings.String())
			}
			narrow(t, page.String())
		})
	}
	if _, is := Find("jig"); !is {
		t.Error("there is no topic jig")
	}
	if _, is := Find("no such"); is {
		t.Error("there is a topic that nobody wrote")
	}
}

func narrow(t *testing.T, text string) {
	t.Helper()
	for line := range strings.Lines(text) {
		if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 {
			t.Errorf("%d columns wide: %s", n, line)
		}
	}
}

// Marks of Markdown become text that a terminal shows.
func TestPlain(t *testing.T) {
	for in, want := range map[string]string{
		"**Re** comes": "Re comes", "give `--low 20` or `--low`": `give "--low 20" or --low`, "`check` says": `"check" says`,
		"`--card \"\"` alone": "`--card \"\"` alone", "`a.json`": "a.json", "`...`": `"..."`,
	} {
		if got := plain(in); got != want {
			t.Errorf("%s became %s, want %s", in, got, want)
		}
	}
}

// What roff takes for its own must come out as it went in.
func TestRoff(t *testing.T) {
	groff, err := exec.LookPath("groff")
	if err != nil {
		t.Skip("there is no groff")
	}
	for _, text := range []string{`.TH is 'no' request`, `'br neither`, `a\b \fBc\fR \*(d`, "`a` ^ ~ -- - ± ° µ |Z|", `"(a + b) || c" $HOME %x`} {
		cmd := exec.Command(groff, "-man", "-ww", "-Tutf8", "-P-cbou")
		cmd.Stdin = strings.NewReader(".TH X 1\n.SH X\n" + roff(text) + "\n")
		page, err := cmd.Output()
		if err != nil || !strings.Contains(string(page), "  "+text+"\n") {
			t.Errorf("%s: %v\n%s", text, err, page)
		}
	}
}

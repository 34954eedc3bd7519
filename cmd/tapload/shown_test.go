package main

import (
	"context"
	"errors"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/manual"
	"tapload/fixtures/hookup"
	"tapload/fixtures/job"
)

// endsWith are the exit codes of shown commands whose answer is no.
var endsWith = map[string]int{
	`tapload compare --group "drivers/*.sweep.json" after.sweep.json`:                                                                                                exitFail,
	"tapload compare before.sweep.json after.sweep.json --before-celsius 20 --after-celsius 45 -o recone.png":                                                        exitFail,
	"tapload compare before.sweep.json after.sweep.json --added-mass-g 10 --before-with before-mass.sweep.json --after-with after-mass.sweep.json --diameter-mm 250": exitFail,
	// Without a jig the joints are not known well enough.
	`tapload box verify --hookup "(a + b) || c" --cab a=left.sweep.json --cab b=right.sweep.json --cab c=small.sweep.json --seen box.sweep.json`: exitUndecided,
	"tapload compare before.sweep.json after.sweep.json":                             exitFail,
	"tapload compare before.sweep.json after.sweep.json -o recone.png":               exitFail,
	"tapload compare before.sweep.json after.sweep.json --limits limits.toml --json": exitFail,
}

// TestShownCommands runs every command that README.md, the topics of the manual
// and the help show, as it is printed. What a command names is there, and what it
// says it writes must be there afterwards. The blocks of one section run one after
// another in one folder, each other command in a folder of its own. -short listens
// for 30 s instead of a minute, and runs those of README.md alone.
func TestShownCommands(t *testing.T) {
	if underRace {
		t.Skip("runs a hundred commands, in which a race shows no sooner than in the tests of each command")
	}
	benches, err := filepath.Abs("../../testdata/bench")
	if err != nil {
		t.Fatal(err)
	}
	b := &shownBench{stock: t.TempDir(), benches: benches}
	blocks := slices.Concat(readmeBlocks(t), helpBlocks())
	shown, left := map[string]bool{}, 0
	for _, block := range blocks {
		if len(block.lines) == 1 && shown[oneLine(block.lines[0])] {
			continue
		}
		for _, line := range block.lines {
			shown[oneLine(line)] = true
		}
		if testing.Short() && !strings.HasPrefix(block.where, "README/") {
			left++
			continue
		}
		t.Run(block.where, func(t *testing.T) {
			t.Parallel()
			folder := t.TempDir()
			for _, line := range block.lines {
				b.runShown(t, folder, line)
			}
		})
	}
	t.Logf("%d examples are left out", left)
	for line := range endsWith {
		if !shown[line] {
			t.Errorf("%s: its exit code is listed, and nothing shows it any more", line)
		}
	}
}

// shownBlock are commands that somebody would run one after another.
type shownBlock struct {
	where string
	lines []string // each may go on over several, as printed
}

var inlineCommand = regexp.MustCompile("`(tapload [^`]+)`")

// readmeBlocks returns the commands of README.md and of the topics: the lines of a
// block that begin with the program's name, and what stands in the text between
// backticks.
func readmeBlocks(t *testing.T) []shownBlock {
	t.Helper()
	readme, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	texts := map[string]string{"README": string(readme)}
	for _, topic := range manual.Topics() {
		texts[topic.Name] = topic.Source
	}
	var blocks []shownBlock
	for _, name := range slices.Sorted(maps.Keys(texts)) {
		for section := range strings.SplitSeq("\n"+texts[name], "\n## ") {
			title, _, _ := strings.Cut(section, "\n")
			all := shownBlock{where: name + "/" + title}
			for i, part := range strings.Split(section, "\n```") {
				if i%2 == 1 {
					_, text, _ := strings.Cut(part, "\n") // after the name of a language
					all.lines = append(all.lines, commandLines(text, "")...)
					continue
				}
				for _, m := range inlineCommand.FindAllStringSubmatch(strings.ReplaceAll(part, "\n", " "), -1) {
					if m[1] == "tapload help TOPIC" {
						continue // a placeholder
					}
					blocks = append(blocks, shownBlock{name + "/text/" + strings.TrimPrefix(m[1], "tapload "), []string{m[1]}})
				}
			}
			if len(all.lines) > 0 {
				blocks = append(blocks, all)
			}
		}
	}
	if len(blocks) < 10 {
		t.Fatalf("the documents have %d blocks of commands; are they still read right", len(blocks))
	}
	return blocks
}

// helpBlocks returns the examples of every command.
func helpBlocks() []shownBlock {
	var blocks []shownBlock
	eachCommand(newRoot(systemEnv()), func(c *cobra.Command) {
		for _, line := range commandLines(c.Example, "  ") {
			blocks = append(blocks, shownBlock{"help/" + strings.TrimPrefix(oneLine(line), "tapload "), []string{line}})
		}
	})
	return blocks
}

// eachCommand calls f for c and all commands below it.
func eachCommand(c *cobra.Command, f func(*cobra.Command)) {
	f(c)
	for _, sub := range c.Commands() {
		eachCommand(sub, f)
	}
}

// commandLines returns the lines of text that begin with indent and the
// program's name, each with those that it goes on in.
func commandLines(text, indent string) []string {
	var lines []string
	more := false
	for line := range strings.Lines(text) {
		line = strings.TrimSuffix(line, "\n")
		switch {
		case more:
			lines[len(lines)-1] += "\n" + line
		case strings.HasPrefix(line, indent+"tapload ") || line == indent+"tapload":
			lines = append(lines, strings.TrimPrefix(line, indent))
		default:
			continue
		}
		more = strings.HasSuffix(line, `\`)
	}
	return lines
}

// oneLine is a command without what its layout and a comment make of it.
func oneLine(line string) string {
	line, _, _ = strings.Cut(line, " #")
	return strings.Join(strings.Fields(strings.ReplaceAll(line, "\\\n", " ")), " ")
}

// TestEveryCommandHasHelp: a line, a text and an example each, none of them
// wider than a terminal.
func TestEveryCommandHasHelp(t *testing.T) {
	eachCommand(newRoot(systemEnv()), func(c *cobra.Command) {
		switch {
		case c.Short == "" || c.Long == "":
			t.Errorf("%s has no text of help", c.CommandPath())
		case len(commandLines(c.Example, "  ")) == 0:
			t.Errorf("%s has no example that begins with its name", c.CommandPath())
		}
		for line := range strings.Lines(c.Long + "\n" + c.UsageString()) {
			if n := len([]rune(strings.TrimRight(line, "\n"))); n > 80 {
				t.Errorf("%s: a line of its help is %d columns wide: %s", c.CommandPath(), n, line)
			}
		}
	})
}

// shownBench runs commands on the stand-in and keeps what many of them need.
type shownBench struct {
	stock, benches string

	made sync.Map // name of a kept file -> *sync.Once that makes it
}

// tapload runs one command line in a folder.
func (b *shownBench) tapload(t *testing.T, folder string, args ...string) outcome {
	t.Helper()
	return b.taploadFor(t, 2*time.Minute, folder, args...)
}

// taploadFor is tapload that presses Ctrl-C after some time.
func (b *shownBench) taploadFor(t *testing.T, limit time.Duration, folder string, args ...string) outcome {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), limit)
	defer cancel()
	cmd := exec.CommandContext(ctx, "tapload-on-stand-in", args...)
	cmd.Dir = folder
	cmd.Env = append(cmd.Environ(), benchesVariable+"="+b.benches, "TAPLOAD_CONFIG="+filepath.Join(folder, "settings"))
	cmd.Cancel = func() error { return cmd.Process.Signal(os.Interrupt) }
	var out, log strings.Builder
	cmd.Stdout, cmd.Stderr = &out, &log
	if err := cmd.Run(); cmd.ProcessState == nil {
		t.Fatal(err)
	}
	return outcome{code: cmd.ProcessState.ExitCode(), stdout: out.String(), stderr: log.String()}
}

// runShown runs a line as it is printed.
func (b *shownBench) runShown(t *testing.T, folder, line string) {
	t.Helper()
	words, err := shellWords(line, folder)
	if err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	b.provide(t, folder, words)
	if words, err = shellWords(line, folder); err != nil { // with the files that a pattern finds now
		t.Fatalf("%s: %v", line, err)
	}
	if oneLine(line) == "tapload demo" { // TestDemo runs it
		if err := os.CopyFS(filepath.Join(folder, "demo"), demonstration(t).folder); err != nil {
			t.Fatal(err)
		}
		return
	}
	limit := 2 * time.Minute
	if words[1] == "live" { // which only Ctrl-C would end
		if strings.Contains(line, "--text") || strings.Contains(line, "--json") {
			words = append(words, "--seconds", "2.5")
		} else {
			words, limit = append(words, "--no-browser"), 2*time.Second
		}
	}
	if i := slices.Index(words, "--seconds"); testing.Short() && i > 0 && words[i+1] == "60" {
		words[i+1] = "30"
	}
	got := b.taploadFor(t, limit, folder, words[1:]...)
	if want := endsWith[oneLine(line)]; got.code != want {
		t.Fatalf("%s\nexited with %d, want %d:\n%s%s", line, got.code, want, got.stdout, got.stderr)
	}
	for i, word := range words[:len(words)-1] {
		if outputFlags[word] && !strings.Contains(line, "--level -30,") { // a series writes a file for each level
			if _, err := os.Stat(filepath.Join(folder, words[i+1])); err != nil {
				t.Errorf("%s\nwrote no %s", line, words[i+1])
			}
		}
	}
}

// outputFlags name what a command writes.
var outputFlags = map[string]bool{
	"-o": true, "--output": true, "--plot": true, "--draw": true, "--share-plot": true, "--ratio-plot": true,
	"--changes-plot": true, "--distortion-plot": true, "--keep": true,
}

// provide puts the files that a command reads into its folder, unless an
// earlier command has left them there.
func (b *shownBench) provide(t *testing.T, folder string, words []string) {
	t.Helper()
	b.provideJob(t, folder, words)
	b.provideSetup(t, folder, words)
	for i, word := range words {
		if i > 0 && outputFlags[words[i-1]] {
			continue
		}
		if _, path, named := strings.Cut(word, "="); named {
			word = path
		}
		var names []string
		switch {
		case strings.HasSuffix(word, "/*"+recordSuffix):
			for c := 'a'; c <= 'f'; c++ {
				names = append(names, strings.Replace(word, "*", "member"+string(c), 1))
			}
		case word == "*"+recordSuffix:
			names = []string{"left" + recordSuffix, "right" + recordSuffix}
		case filepath.Ext(word) != "":
			names = []string{word}
		}
		for _, name := range names {
			to := filepath.Join(folder, name)
			if _, err := os.Stat(to); !errors.Is(err, fs.ErrNotExist) {
				continue
			}
			if from := b.keep(t, words, name); from != "" {
				copyFile(t, from, to)
			}
		}
	}
}

// provideSetup keeps a bench for a command that measures without saying with what.
func (b *shownBench) provideSetup(t *testing.T, folder string, words []string) {
	t.Helper()
	if words[1] != "sweep" || slices.ContainsFunc(words, func(w string) bool { return w == "--card" || w == "--bench" || w == "--replay" }) {
		return
	}
	if got := b.tapload(t, folder, "setup", "--card", standInName, "--sense-ohm", "10"); got.code != exitDone {
		t.Fatal(got.stderr)
	}
}

// provideJob makes the job that a command works on, unless an earlier one did:
// what is to be added is not in it yet.
func (b *shownBench) provideJob(t *testing.T, folder string, words []string) {
	t.Helper()
	at := standIn{args: words}.value("--job")
	adds := ""
	changes := words[1] == "job" && slices.Contains([]string{"replace", "rename", "remove"}, words[2])
	switch {
	case words[1] == "job" && words[2] == "add":
		adds = words[3]
	case changes:
	case words[1] == "job" && words[2] == "status", words[1] == "report", words[1] != "job" && at != "":
	default:
		return
	}
	at = filepath.Join(folder, at)
	path := filepath.Join(at, job.FileName)
	if _, err := os.Stat(path); !errors.Is(err, fs.ErrNotExist) {
		return
	}
	f := job.NewFile(at, "A-17", "run both cabinets")
	if adds != "amplifier" {
		f.SetAmplifier(job.Amplifier{Name: "house amplifier", TapsOhm: []float64{4, 8, 16}, Watts: 50})
	}
	labels := []string{"cab", "small"}
	if adds == "hookup" {
		tree, err := hookup.Parse(words[4])
		if err != nil {
			t.Fatal(err)
		}
		labels = tree.Leaves()
	} else if adds != "cabinet" && !(changes && words[3] == "cabinet") {
		f.SetHookup(job.Hookup{Formula: "cab || small"})
	}
	for _, label := range labels {
		if adds == "cabinet" && words[4] == label {
			continue
		}
		record := label + recordSuffix
		copyFile(t, b.keep(t, words, record), filepath.Join(at, record))
		f.AddCabinet(job.Cabinet{Label: label, Record: record, Watts: 60})
	}
	if changes {
		for _, name := range []string{"before" + recordSuffix, "cab" + recordSuffix, "jig.json"} {
			copyFile(t, b.keep(t, words, name), filepath.Join(at, name))
		}
		if words[3] == "proof" {
			f.AddProof(job.Proof{Label: "first try", Seen: "cab" + recordSuffix, Formula: "cab || small"})
		}
		f.AddDriver(job.Driver{Label: "twelve", Before: "before" + recordSuffix})
		f.AddNote("came wet")
		f.SetJig("jig.json")
	}
	writeText(t, path, string(f.Text()))
}

// quickly are the signal flags of records that are held against each other
// alone; measuredToo are those that meet records which a shown command makes.
var (
	quickly     = []string{"--low", "20", "--period", "1"}
	measuredToo = []string{"left", "right", "small", "cab", "box", "box2", boxOfThree}
)

// keep returns the path of a file that a command wants to read, made once for
// all of them; "" where nobody knows what it holds.
func (b *shownBench) keep(t *testing.T, words []string, name string) string {
	t.Helper()
	command, name := words[1], filepath.Base(name)
	stock := name
	if stock == "box"+recordSuffix && slices.Contains(words, "(a + b) || c") {
		stock = boxOfThree + recordSuffix
	}
	if command == "fit" || command == "compare" { // where what is added is added to a driver
		stem := strings.TrimSuffix(name, recordSuffix)
		for _, with := range []string{"mass", "box"} {
			if stem == with {
				stock = "d-with-" + with + recordSuffix
			} else if side, ok := strings.CutSuffix(stem, "-"+with); ok {
				stock = side + "-with-" + with + recordSuffix
			}
		}
	}
	var commands [][]string
	text := ""
	const sound = standInName
	switch {
	case strings.HasSuffix(stock, recordSuffix):
		commands = [][]string{{"sweep", "--card", sound, "-o", stock}}
		if !slices.Contains(measuredToo, strings.TrimSuffix(stock, recordSuffix)) {
			commands[0] = append(commands[0], quickly...)
		}
	case stock == "jig.json":
		commands = [][]string{
			{"jig", "open", "--card", sound, "-o", stock}, {"jig", "short", "--card", sound, "-o", stock},
			{"jig", "known", "--card", sound, "-o", stock, "--ohm", "10", "--tolerance", "0.1%"},
		}
	case stock == "rec.wav":
		commands = [][]string{{"sweep", "--card", sound, "-o", "kept.json", "--keep", stock}}
	case stock == "tune.wav":
		commands = [][]string{{"stimulus", "-o", stock, "--periods", "5"}} // long enough for 10 Hz
	case strings.HasPrefix(stock, "lab."):
		commands = [][]string{append([]string{"sweep", "--card", sound, "-o", stock + recordSuffix}, quickly...), {"export", stock + recordSuffix, "-o", stock}}
	case stock == "limits.toml":
		text = "[percent]\nre = [-5, 5]\ncurve = \"none\"\n"
	case stock == "bench.toml":
		stock = "unmarked-cabinet.toml"
		fallthrough
	case filepath.Ext(stock) == ".toml":
		if _, err := os.Stat(filepath.Join(b.benches, stock)); err != nil {
			return ""
		}
		return filepath.Join(b.benches, stock)
	default:
		return ""
	}
	once, _ := b.made.LoadOrStore(stock, new(sync.Once))
	once.(*sync.Once).Do(func() {
		if text != "" {
			writeText(t, filepath.Join(b.stock, stock), text)
		}
		for _, args := range commands {
			if got := b.tapload(t, b.stock, args...); got.code != exitDone {
				t.Errorf("%q, which makes %s, exited with %d: %s", args, stock, got.code, got.stderr)
			}
		}
	})
	return filepath.Join(b.stock, stock)
}

func copyFile(t *testing.T, from, to string) {
	t.Helper()
	data, err := os.ReadFile(from)
	if err != nil {
		t.Fatal(err)
	}
	writeText(t, to, string(data))
}

// writeText writes a file, and the folder that it stands in.
func writeText(t *testing.T, path, text string) {
	t.Helper()
	if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(text), 0o666)); err != nil {
		t.Fatal(err)
	}
}

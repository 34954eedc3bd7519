//go:build linux

package windows

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The subtests share one Windows: each works in folders of its own there.
func TestWindows(t *testing.T) {
	m := newMachine(t)
	for _, part := range []struct {
		name string
		test func(*machine, *testing.T)
	}{
		{"archive", (*machine).archive},
		{"demonstration", (*machine).demonstration},
		{"jobs", (*machine).jobs},
		{"texts of Windows", (*machine).texts},
		{"files in use", (*machine).inUse},
		{"folders and names", (*machine).folders},
		{"console", (*machine).consoles},
		{"double click", (*machine).doubleClick},
		{"library", (*machine).library},
		{"sound", (*machine).sound},
	} {
		t.Run(part.name, func(t *testing.T) {
			here := *m
			here.t = t
			part.test(&here, t)
		})
	}
}

func (m *machine) archive(t *testing.T) {
	if want := []string{"LICENSE", "README.md", "THIRD-PARTY.txt", "libportaudio.dll", "tapload.exe"}; !slices.Equal(m.names(stage), want) {
		t.Errorf("in the archive are %v, want %v", m.names(stage), want)
	}
	if got := m.run("", "version"); got.code != 0 || !strings.Contains(got.stdout, "windows/amd64") {
		t.Errorf("got %+v", got)
	}
}

// linux builds the same program for this machine.
func linux(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "tapload")
	build := exec.Command("go", "build", "-buildvcs=false", "-o", path, "./cmd/tapload")
	build.Dir = filepath.Join("..", "..")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("%v\n%s", err, out)
	}
	return path
}

// The demonstration says on Windows what it says on Linux, but for how paths and
// commands are written, and leaves the same files.
func (m *machine) demonstration(t *testing.T) {
	const folder = "Vorführung für Gäste"
	m.write("Demo/start", "")
	got := m.wants(t, "Demo", 0, []string{"demo", "-o", folder})
	here := t.TempDir()
	program := linux(t)
	cmd := exec.Command(program, "demo", "-o", folder)
	cmd.Dir = here
	want, err := cmd.Output()
	if err != nil {
		t.Fatal(err)
	}
	ofWindows := regexp.MustCompile(`'C:/[^']*/tapload\.exe'`)
	alike := func(s string) string {
		s = strings.NewReplacer(" ^\n", " ", " \\\n", " ", `\`, "/", `"`, "'", program, "tapload").Replace(s)
		s = ofWindows.ReplaceAllString(s, "tapload") // neither program is where its name alone would do
		return strings.Join(strings.Fields(strings.ReplaceAll(s, "'", "")), " ")
	}
	if got, want := alike(got.stdout), alike(string(want)); got != want {
		t.Errorf("on Windows:\n%s\non Linux:\n%s", got, want)
	}
	if !strings.Contains(got.stdout, `"`+folder+`"`) || !strings.Contains(got.stdout, " ^\n") {
		t.Error("commands are not written as the command prompt reads them")
	}
	var files []string
	top := filepath.Join(here, folder)
	if err := filepath.WalkDir(top, func(path string, e os.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			path, err = filepath.Rel(top, path)
			files = append(files, path)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	for _, f := range files {
		info, err := os.Stat(m.path("Demo", folder, f))
		if err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", f, err)
		}
	}
	if len(files) < 20 {
		t.Errorf("the demonstration left %v", files)
	}
}

// bench is the virtual bench of an invented cabinet.
const bench = `sense_ohm = 10
[[load]]
part = "driver"
from = "in"
to = "0"
re_ohm = 6.4
coil = "inductor"
le_mh = 0.5
resonances = [{ fs_hz = 88.0, q_ms = 5.0, r_es_ohm = 51.0 }]
`

var quick = []string{"--low", "20", "--period", "1"}

// crlf and bom write a text as editors of Windows do.
func crlf(s string) string { return strings.ReplaceAll(s, "\n", "\r\n") }
func bom(s string) string  { return "\ufeff" + crlf(s) }

// Three jobs, in folders with spaces and umlauts: from the bench to the report,
// the job file written by hand with the line ends of Windows, with a mark at its
// beginning too.
func (m *machine) jobs(t *testing.T) {
	for _, c := range []struct {
		folder, label string
		edit          func(string) string
	}{
		{"Auftrag 1", "cab", func(s string) string { return s }},
		{"Aufträge/für Jürgen", "Bühne links", crlf},
		{"Größe XL (neu)", "Große Box Ω", bom},
	} {
		place := "Werkstatt"
		m.write(filepath.Join(place, "bench.toml"), c.edit(bench))
		if parent := filepath.Dir(c.folder); parent != "." {
			m.write(filepath.Join(place, parent, "start"), "")
		}
		folder := strings.ReplaceAll(c.folder, "/", `\`)
		record := c.label + ".sweep.json"
		m.wants(t, place, 0, []string{"job", "new", folder, "--reference", "Nr. 7 für Grün", "--amp-name", "Röhre", "--tap", "4,8,16", "--watts", "50"})
		m.wants(t, place, 0, slices.Concat([]string{"sweep", "--bench", "bench.toml", "-o", record, "--plot", c.label + ".png"}, quick))
		file := filepath.Join(place, c.folder, "job.toml")
		written := c.edit(m.read(file) + "# von Hand: Grüße\n")
		m.write(file, written)
		m.wants(t, place, 0, []string{"job", "add", "cabinet", c.label, "--record", record, "--watts", "60", "--job", folder})
		m.wants(t, place, 0, []string{"job", "add", "cabinet", "8 Ω", "--rated-ohm", "8", "--job", folder})
		if got := m.read(file); !strings.HasPrefix(got, strings.TrimRight(written, "\r\n")) || strings.Contains(got, `\\`) {
			t.Errorf("%s: what was in the job file is not as it was: %q", c.folder, got)
		}
		m.wants(t, place, 0, []string{"job", "add", "hookup", `"` + c.label + `" || "8 Ω"`, "--job", folder})
		m.wants(t, place, 0, []string{"report", "--job", folder})
		for _, sheet := range []string{"report.html", "report.pdf"} {
			if len(m.read(filepath.Join(place, c.folder, sheet))) < 10000 {
				t.Errorf("%s: %s is short", c.folder, sheet)
			}
		}
		if got := m.wants(t, place, 0, []string{"job", "status", "--job", folder}); !strings.Contains(got.stdout, c.label) || !strings.Contains(got.stdout, "Röhre") {
			t.Errorf("%s: status is %q", c.folder, got.stdout)
		}
		// A pattern, which the shells of Windows leave to the program.
		if got := m.wants(t, place, 0, []string{"fit", "*.sweep.json", "--json"}); strings.Count(got.stdout, "\n") < 1 || !strings.Contains(got.stdout, c.label) {
			t.Errorf("%s: fit says %q", c.folder, got.stdout)
		}
	}
}

// Curves as spreadsheets of Windows write them.
func (m *machine) texts(t *testing.T) {
	const curve = "frequency_hz,resistance_ohm,reactance_ohm\n20,8,0\n200,8,0\n2000,8,0.5\n20000,8,5\n"
	m.write("Labor/eins.csv", crlf(curve))
	m.write("Labor/mit Marke.csv", bom(curve))
	for _, name := range []string{"eins", "mit Marke"} {
		m.wants(t, "Labor", 0, []string{"import", name + ".csv", "-o", name + ".sweep.json"})
		m.wants(t, "Labor", 0, []string{"export", name + ".sweep.json", "-o", name + " zurück.csv"})
		if got := m.read("Labor/" + name + " zurück.csv"); !strings.Contains(got, "2000") {
			t.Errorf("%s comes back as %q", name, got)
		}
	}
	m.write("Labor/bench.toml", crlf(bench))
	m.write("Labor/limits.toml", bom("[percent]\nre = [-5, 5]\n"))
	for _, name := range []string{"vorher", "nachher"} {
		m.wants(t, "Labor", 0, slices.Concat([]string{"sweep", "--bench", "bench.toml", "-o", name + ".sweep.json"}, quick))
	}
	m.wants(t, "Labor", 0, []string{"compare", "vorher.sweep.json", "nachher.sweep.json", "--limits", "limits.toml"})
}

// hold opens a file until the function that it returns is called.
func (m *machine) hold(t *testing.T, folder, file string, more ...string) (release func()) {
	t.Helper()
	const helper = "hold.exe"
	if !isFile(m.path(helper)) {
		m.compile("testdata/hold.c", m.path(helper), "-municode")
	}
	cmd := m.windows(m.path(folder), append([]string{`C:\` + helper, file}, more...)...)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	var said [4]byte
	if _, err := out.Read(said[:]); err != nil || string(said[:]) != "held" {
		t.Fatalf("%s is not held: %q, %v", file, said, err)
	}
	return func() {
		in.Close()
		cmd.Wait()
	}
}

// A file that another program has open is not replaced: that is said before
// anything is measured, and all stays as it was.
func (m *machine) inUse(t *testing.T) {
	const folder = "In Gebrauch"
	m.write(folder+"/bench.toml", bench)
	sweep := slices.Concat([]string{"sweep", "--bench", "bench.toml", "-o", "öfter.sweep.json", "--plot", "Bild.png"}, quick)
	m.wants(t, folder, 0, sweep)
	before := m.read(folder + "/öfter.sweep.json")

	for _, readable := range [][]string{nil, {"readable"}} {
		for _, file := range []string{"öfter.sweep.json", "Bild.png"} {
			release := m.hold(t, folder, file, readable...)
			got := m.wants(t, folder, 1, sweep, "tapload: cannot write "+file+": another program has it open; close it there\n")
			if strings.Contains(got.stderr, "playing") || m.names(folder) == nil {
				t.Errorf("it measured first: %q", got.stderr)
			}
			release()
			if got := m.read(folder + "/öfter.sweep.json"); got != before {
				t.Errorf("with %s held the record was changed", file)
			}
			if want := []string{"Bild.png", "bench.toml", "öfter.sweep.json"}; !slices.Equal(m.names(folder), want) {
				t.Errorf("with %s held the folder has %v, want %v", file, m.names(folder), want)
			}
		}
	}
	release := m.hold(t, folder, "öfter.sweep.json")
	m.wants(t, folder, 1, []string{"fit", "öfter.sweep.json"}, "another program has it open")
	release()

	// Then it is kept, and so once more, over the copy of before.
	for range 2 {
		m.wants(t, folder, 0, sweep, "note: the earlier öfter.sweep.json is now öfter.sweep.json~")
	}
	if want := []string{"Bild.png", "bench.toml", "öfter.sweep.json", "öfter.sweep.json~"}; !slices.Equal(m.names(folder), want) {
		t.Errorf("the folder has %v, want %v", m.names(folder), want)
	}
	release = m.hold(t, folder, "öfter.sweep.json~")
	m.wants(t, folder, 1, sweep, "cannot write öfter.sweep.json~: another program has it open")
	release()
}

// A folder that takes no files, and names that the system takes for something
// else, are said before anything is measured.
func (m *machine) folders(t *testing.T) {
	const folder = "Ordner"
	m.write(folder+"/bench.toml", bench)
	to := func(path string) []string {
		return slices.Concat([]string{"sweep", "--bench", "bench.toml", "-o", path}, quick)
	}
	// Not even root may write there.
	got := m.wants(t, folder, 1, to(`Z:\sys\x.sweep.json`), `tapload: cannot write Z:\sys\x.sweep.json: permission denied`)
	if strings.Contains(got.stderr, "playing") || strings.Count(got.stderr, "\n") != 1 {
		t.Errorf("it said %q", got.stderr)
	}
	m.wants(t, folder, 1, to(`nirgends\x.sweep.json`), `there is no folder nirgends`)
	m.wants(t, folder, 1, to("con.sweep.json"), "the system takes no file of that name; choose another")
	m.wants(t, folder, 1, to("x:y.sweep.json"), "cannot write x:y.sweep.json: ")
	m.wants(t, folder, 1, to("was?.sweep.json"), "cannot write was?.sweep.json: ")
	if want := []string{"bench.toml"}; !slices.Equal(m.names(folder), want) {
		t.Errorf("the folder has %v, want %v", m.names(folder), want)
	}
}

// What a console shows, and what goes into a file instead.
func (m *machine) consoles(t *testing.T) {
	const folder = "Konsole"
	m.write(folder+"/bench.toml", bench)
	m.wants(t, folder, 0, slices.Concat([]string{"sweep", "--bench", "bench.toml", "--label", "Bühne Ω", "-o", "Bühne.sweep.json"}, quick))
	for _, text := range []string{"Bühne Ω: ", "±"} {
		if got := m.run(folder, "fit", "Bühne.sweep.json"); !strings.Contains(got.stdout, text) {
			t.Errorf("in a file there is no %q: %q", text, got.stdout)
		}
		if got := m.console(t, folder, []string{program, "fit", "Bühne.sweep.json"}); got.code != 0 || !strings.Contains(got.stdout, text) {
			t.Errorf("on the console there is no %q: exit code %d, %q", text, got.code, got.stdout)
		}
	}
	// A command as the program shows it, given to the command prompt.
	m.write(folder+"/pasted.bat", crlf("@tapload fit ^\n    *.sweep.json ^\n    --plot \"from the left.png\"\n"))
	pasted := m.windows(m.path(folder), "cmd", "/c", "pasted.bat")
	pasted.Env = append(pasted.Env, `WINEPATH=C:\`+stage)
	if got := m.finish(pasted); got.code != 0 || !strings.Contains(got.stdout, "Bühne Ω: ") || !isFile(m.path(folder, "from the left.png")) {
		t.Errorf("pasted: %+v, %q", got, m.names(folder))
	}
	// The guide, from a command prompt: alone in a console it is a double click.
	got := m.console(t, folder, []string{"cmd", "/c", program}, [2]string{"What is to be done?", "q\r"})
	if got.code != 0 || !strings.Contains(got.stdout, "Measure a cabinet or a driver") {
		t.Errorf("the guide: exit code %d, %q", got.code, got.stdout)
	}
}

// The sound-card library comes from beside the program, and from nowhere else.
func (m *machine) library(t *testing.T) {
	const alone, folder = "ohne Bibliothek", "fremd"
	m.write(alone+"/tapload.exe", m.read(stage+"/tapload.exe"))
	m.write(folder+"/libportaudio.dll", m.read(stage+"/libportaudio.dll"))
	got := m.finish(m.windows(m.path(folder), `C:\`+alone+`\tapload.exe`, "cards"))
	if got.code != 1 || !strings.HasPrefix(got.stderr, "tapload: the sound-card library PortAudio is not on this machine") || !strings.Contains(got.stderr, "beside tapload.exe") {
		t.Errorf("with the library in the current folder alone: %+v", got)
	}
	const ofSystem = "windows/system32/libportaudio.dll"
	m.write(ofSystem, m.read(stage+"/libportaudio.dll"))
	if got := m.finish(m.windows(m.path(folder), `C:\`+alone+`\tapload.exe`, "cards")); strings.Contains(got.stderr, "library") {
		t.Errorf("with the library in the system's folder: %+v", got)
	}
	if err := os.Remove(m.path(ofSystem)); err != nil {
		t.Fatal(err)
	}
	// One that is none, in the current folder, does no harm.
	m.write(folder+"/libportaudio.dll", "no library")
	if got := m.run(folder, "cards"); strings.Contains(got.stderr, "library") {
		t.Errorf("with a false one in the current folder: %+v", got)
	}
	named := m.windows(m.path(folder), `C:\`+alone+`\tapload.exe`, "cards")
	named.Env = append(named.Env, `TAPLOAD_PORTAUDIO=C:\`+stage+`\libportaudio.dll`)
	if got := m.finish(named); strings.Contains(got.stderr, "library") {
		t.Errorf("with the library named: %+v", got)
	}
}

//go:build linux

// Package windows runs the Windows program, as it is in the archive, under Wine:
// go test ./.ci/windows. Where Wine is missing it skips, or fails where the
// environment has TAPLOAD_REQUIRE_WINE=1, as "make windows" does.
package windows

import (
	"archive/zip"
	"bytes"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
)

const (
	require = "TAPLOAD_REQUIRE_WINE"

	mingw = "x86_64-w64-mingw32-gcc"
	// stage is where the archive is unpacked on drive C.
	stage   = "Prüfplatz für Lautsprecher"
	program = `C:\` + stage + `\tapload.exe`
)

// machine is a Windows that nobody has used before, with the archive unpacked.
type machine struct {
	t    *testing.T
	wine []string // the loader, and what has it go first where that is allowed
	c    string   // the folder that is its drive C
	env  []string // besides that of the test
}

// newMachine makes one, which goes away with the test.
func newMachine(t *testing.T) *machine {
	t.Helper()
	m := &machine{t: t}
	loader := "/usr/lib/wine/wine64"
	if path, err := exec.LookPath("wine64"); err == nil {
		loader = path
	}
	for _, tool := range []string{loader, mingw, "script"} {
		if _, err := exec.LookPath(tool); err != nil {
			if os.Getenv(require) == "1" {
				t.Fatalf("%v; .ci/deps windows installs it", err)
			}
			t.Skipf("%v; .ci/deps windows installs it", err)
		}
	}
	// Sound cannot wait for what else a machine does, nor can Wine's own server,
	// which is what it was when the first program started it.
	if first := []string{"chrt", "--fifo", "20"}; exec.Command(first[0], append(first[1:], "true")...).Run() == nil {
		m.wine = first
	} else {
		t.Log("programs may not go first here: sound may be lost")
	}
	m.wine = append(m.wine, loader)
	dir := t.TempDir()
	prefix, home := filepath.Join(dir, "prefix"), filepath.Join(dir, "home")
	for _, folder := range []string{prefix, home} {
		if err := os.Mkdir(folder, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	m.c = filepath.Join(prefix, "drive_c")
	m.env = []string{
		"WINEPREFIX=" + prefix, "WINEARCH=win64", "WINEDEBUG=-all", "WINEDLLOVERRIDES=mscoree,mshtml=",
		"HOME=" + home, "XDG_RUNTIME_DIR=" + home, "LC_ALL=C.UTF-8", "DISPLAY=", "TERM=xterm",
		"TAPLOAD_PORTAUDIO=",
	}
	t.Cleanup(func() {
		// Programs of the system itself outlive those that are run.
		if err := m.command(filepath.Dir(m.c), m.server(), "-k").Run(); err != nil {
			t.Logf("ending Wine: %v", err)
		}
		m.command(filepath.Dir(m.c), m.server(), "-w").Run()
	})
	// A server that nothing holds ends by itself between two programs, and one that
	// reaches it just then is cut off.
	held := append(slices.Clone(m.wine[:len(m.wine)-1]), m.server(), "-p")
	if err := m.command(dir, held[0], held[1:]...).Run(); err != nil {
		t.Fatalf("%v: %v", held, err)
	}
	m.must(m.windows(dir, "cmd", "/c", "exit"))
	m.unpack()
	if lacking := filepath.Join(m.c, "windows", "system32", "bcryptprimitives.dll"); !isFile(lacking) {
		m.compile("testdata/prng.c", lacking, "-shared", "-ladvapi32")
	}
	return m
}

// server returns the program that ends all others of a prefix.
func (m *machine) server() string {
	for _, name := range []string{"wineserver64", "wineserver"} {
		if path := filepath.Join(filepath.Dir(m.wine[len(m.wine)-1]), name); isFile(path) {
			return path
		}
	}
	return "wineserver"
}

func isFile(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}

// command prepares a command of Linux in a folder.
func (m *machine) command(dir, name string, args ...string) *exec.Cmd {
	cmd := exec.Command(name, args...)
	cmd.Dir, cmd.Env = dir, slices.Concat(os.Environ(), m.env)
	cmd.WaitDelay = 5 * time.Second // what it started may hold its output open
	return cmd
}

func (m *machine) must(cmd *exec.Cmd) string {
	m.t.Helper()
	out, err := cmd.CombinedOutput()
	if err != nil && !errors.Is(err, exec.ErrWaitDelay) {
		m.t.Fatalf("%v: %v\n%s", cmd.Args, err, out)
	}
	return string(out)
}

// compile makes a Windows program or library of a file in C.
func (m *machine) compile(source, to string, flags ...string) {
	m.t.Helper()
	source, err := filepath.Abs(source)
	if err != nil {
		m.t.Fatal(err)
	}
	m.must(m.command(".", mingw, slices.Concat([]string{"-O2", "-s", "-o", to, source}, flags)...))
}

// unpack makes the archive and unpacks it.
func (m *machine) unpack() {
	m.t.Helper()
	out := m.t.TempDir()
	dist := exec.Command("go", "run", "./.ci/dist", "-only", "windows/amd64", "-o", out)
	dist.Dir = filepath.Join("..", "..")
	m.must(dist)
	found, err := filepath.Glob(filepath.Join(out, "*.zip"))
	if err != nil || len(found) != 1 {
		m.t.Fatalf("the archives are %v, %v", found, err)
	}
	z, err := zip.OpenReader(found[0])
	if err != nil {
		m.t.Fatal(err)
	}
	defer z.Close()
	if err := os.Mkdir(m.path(stage), 0o777); err != nil {
		m.t.Fatal(err)
	}
	for _, f := range z.File {
		r, err := f.Open()
		if err != nil {
			m.t.Fatal(err)
		}
		data, err := io.ReadAll(r)
		if err != nil {
			m.t.Fatal(err)
		}
		m.write(filepath.Join(stage, filepath.Base(f.Name)), string(data))
	}
}

// path returns where a file of drive C is to Linux.
func (m *machine) path(parts ...string) string {
	return filepath.Join(append([]string{m.c}, parts...)...)
}

func (m *machine) write(path, text string) {
	m.t.Helper()
	if err := os.MkdirAll(filepath.Dir(m.path(path)), 0o777); err != nil {
		m.t.Fatal(err)
	}
	if err := os.WriteFile(m.path(path), []byte(text), 0o777); err != nil {
		m.t.Fatal(err)
	}
}

func (m *machine) read(path string) string {
	m.t.Helper()
	data, err := os.ReadFile(m.path(path))
	if err != nil {
		m.t.Fatal(err)
	}
	return string(data)
}

// names lists a folder of drive C.
func (m *machine) names(folder string) (names []string) {
	m.t.Helper()
	entries, err := os.ReadDir(m.path(folder))
	if err != nil {
		m.t.Fatal(err)
	}
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

type outcome struct {
	code           int
	stdout, stderr string
}

// program prepares the program, called from a folder of drive C by its path.
func (m *machine) program(folder string, args ...string) *exec.Cmd {
	return m.windows(m.path(folder), append([]string{program}, args...)...)
}

// windows prepares a command of Windows.
func (m *machine) windows(dir string, args ...string) *exec.Cmd {
	words := slices.Concat(m.wine, args)
	return m.command(dir, words[0], words[1:]...)
}

// run runs the program.
func (m *machine) run(folder string, args ...string) outcome {
	m.t.Helper()
	return m.finish(m.program(folder, args...))
}

func (m *machine) finish(cmd *exec.Cmd) outcome {
	m.t.Helper()
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	err := cmd.Run()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) && !errors.Is(err, exec.ErrWaitDelay) {
		m.t.Fatalf("%q: %v", cmd.Args, err)
	}
	// Sentences that are folded on a screen are in one line again.
	return outcome{cmd.ProcessState.ExitCode(), stdout.String(), strings.ReplaceAll(stderr.String(), "\n  ", " ")}
}

// wants runs the program and holds its exit code, and what it says on standard
// error to contain each of the texts.
func (m *machine) wants(t *testing.T, folder string, code int, args []string, texts ...string) outcome {
	t.Helper()
	got := m.run(folder, args...)
	if got.code != code {
		t.Errorf("%q: exit code %d, want %d: %s", args, got.code, code, got.stderr)
	}
	for _, text := range texts {
		if !strings.Contains(got.stderr, text) {
			t.Errorf("%q: no %q in %q", args, text, got.stderr)
		}
	}
	return got
}

// console runs a command in a console, which the text is typed into once what
// it shows contains each cue, and returns what the console was sent.
func (m *machine) console(t *testing.T, folder string, args []string, typed ...[2]string) outcome {
	t.Helper()
	// What is typed before Wine has taken the terminal over must reach it as typed.
	words := []string{"stty cols 100 rows 30 -icrnl;", "exec"}
	for _, a := range slices.Concat(m.wine, args) {
		words = append(words, "'"+strings.ReplaceAll(a, "'", `'\''`)+"'")
	}
	cmd := m.command(m.path(folder), "script", "-qefc", strings.Join(words, " "), os.DevNull)
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stderr = os.Stderr
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	hang := time.AfterFunc(5*time.Minute, func() { cmd.Process.Kill() })
	defer hang.Stop()
	var shown strings.Builder
	piece := make([]byte, 4096)
	for {
		n, err := out.Read(piece)
		shown.Write(piece[:n])
		for len(typed) > 0 && strings.Contains(shown.String(), typed[0][0]) {
			if _, err := io.WriteString(in, typed[0][1]); err != nil {
				t.Error(err)
			}
			typed = typed[1:]
		}
		if err != nil {
			break
		}
	}
	in.Close()
	cmd.Wait()
	if len(typed) > 0 {
		t.Errorf("the console never showed %q, but %q", typed[0][0], shown.String())
	}
	return outcome{code: cmd.ProcessState.ExitCode(), stdout: shown.String()}
}

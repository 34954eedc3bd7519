package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"debug/pe"
	"errors"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"
)

// unpack reads what writeTar wrote, by name.
func unpack(t *testing.T, data []byte) (names []string, headers map[string]*tar.Header, texts map[string][]byte) {
	t.Helper()
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	headers, texts = map[string]*tar.Header{}, map[string][]byte{}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err == io.EOF {
			return names, headers, texts
		}
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, h.Name)
		headers[h.Name], texts[h.Name] = h, text
	}
}

// madeTwice makes what a system gets twice, from the top of the checkout, wants the
// same bytes of every file, and returns the path of the archive.
func madeTwice(t *testing.T, system string) (path string) {
	t.Helper()
	t.Chdir(filepath.Join("..", ".."))
	if out, err := exec.Command("git", "status").CombinedOutput(); err != nil {
		t.Skipf("an archive is of a commit, and git does not answer: %s", out)
	}
	var made [2]map[string][]byte
	for i := range made {
		var said strings.Builder
		if err := makeAll(&said, t.TempDir(), system); err != nil {
			t.Fatal(err)
		}
		paths := strings.Fields(said.String())
		path, made[i] = paths[0], map[string][]byte{}
		for _, p := range paths {
			data, err := os.ReadFile(p)
			if err != nil {
				t.Fatal(err)
			}
			made[i][filepath.Base(p)] = data
		}
		check := exec.Command("sha256sum", "--check", "--strict", "SHA256SUMS")
		check.Dir = filepath.Dir(path)
		if out, err := check.CombinedOutput(); err != nil || bytes.Count(out, []byte(": OK\n")) != len(paths)-1 {
			t.Errorf("the checksums of %v: %v\n%s", paths, err, out)
		}
	}
	for name, data := range made[0] {
		if !bytes.Equal(data, made[1][name]) {
			t.Errorf("made twice, %s is not the same", name)
		}
	}
	return path
}

// One archive, made twice: the same bytes, all that belongs in it, and a program
// that runs without the sound-card library.
func TestArchive(t *testing.T) {
	path := madeTwice(t, "linux/amd64")
	archive, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	names, headers, texts := unpack(t, archive)
	top := strings.TrimSuffix(filepath.Base(path), ".tar.gz") + "/"
	if !strings.HasPrefix(top, "tapload-") || !strings.HasSuffix(top, "-linux-amd64/") {
		t.Errorf("the archive is named %s", path)
	}
	if want := []string{top + "LICENSE", top + "README.md", top + "THIRD-PARTY.txt", top + "tapload"}; !slices.Equal(names, want) {
		t.Fatalf("in the archive are %v, want %v", names, want)
	}
	seconds, err := output(nil, "git", "log", "-1", "--format=%ct")
	if err != nil {
		t.Fatal(err)
	}
	for name, h := range headers {
		if when := strconv.FormatInt(h.ModTime.Unix(), 10); when != seconds {
			t.Errorf("%s is of %v, want the time of the commit, %s s", name, h.ModTime, seconds)
		}
		want := int64(0o644)
		if name == top+"tapload" {
			want = 0o755
		}
		if h.Mode != want {
			t.Errorf("%s has mode %o, want %o", name, h.Mode, want)
		}
	}

	program := filepath.Join(t.TempDir(), "tapload")
	if err := os.WriteFile(program, texts[top+"tapload"], 0o755); err != nil {
		t.Fatal(err)
	}
	notice := string(texts[top+"THIRD-PARTY.txt"])
	listed, err := output(nil, "go", "version", "-m", program)
	if err != nil {
		t.Fatal(err)
	}
	modules := 0
	for line := range strings.Lines(listed) {
		f := strings.Fields(line)
		if f[0] != "dep" {
			continue
		}
		modules++
		heading := f[1] + " " + f[2]
		_, text, found := strings.Cut(notice, "\n"+heading+"\n"+strings.Repeat("=", len(heading))+"\n\n--- ")
		if !found || !strings.Contains(text[:min(len(text), 300)], "opyright") && !strings.Contains(text[:min(len(text), 300)], "icense") {
			t.Errorf("the licence of %s is not in THIRD-PARTY.txt", heading)
		}
	}
	if modules < 10 {
		t.Errorf("go version -m lists %d modules:\n%s", modules, listed)
	}
	for _, want := range []string{
		"darwin/arm64   compiled only, not run\n", "windows/amd64  run under Wine 8 on Debian 12, with a simulated sound card; not on Windows\n", "Go and its library " + runtime.Version(),
		"on the work of the FreeType Team", "The FreeType Project LICENSE", "SIL OPEN FONT LICENSE",
	} {
		if !strings.Contains(notice, want) {
			t.Errorf("THIRD-PARTY.txt does not say %q", want)
		}
	}

	if runtime.GOOS+"/"+runtime.GOARCH != "linux/amd64" {
		return
	}
	debs, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*.deb"))
	if err != nil || len(debs) != 1 {
		t.Fatalf("beside the archive are the packages %v, %v", debs, err)
	}
	t.Run("package", func(t *testing.T) { comesAndGoes(t, debs[0], texts[top+"tapload"]) })
	commit, err := output(nil, "git", "rev-parse", "HEAD")
	if err != nil {
		t.Fatal(err)
	}
	lost := []string{"TAPLOAD_PORTAUDIO=/nowhere/libportaudio.so.2"}
	if said, err := output(lost, program, "version"); err != nil || !strings.Contains(said, commit) {
		t.Errorf("the program says %q, %v, not its commit %s", said, err, commit)
	}
	c := exec.Command(program, "cards")
	c.Env = append(os.Environ(), lost...)
	said, err := c.CombinedOutput()
	said = bytes.ReplaceAll(said, []byte("\n  "), []byte(" ")) // folded on a screen
	var exit *exec.ExitError
	if !errors.As(err, &exit) || exit.ExitCode() != 1 || !bytes.HasPrefix(said, []byte("tapload: the sound-card library /nowhere/libportaudio.so.2")) || bytes.Count(said, []byte("\n")) != 1 {
		t.Errorf("without the library the program ends with %v and %q", err, said)
	}
}

// comesAndGoes installs a Debian package below a folder, and removes it again. make
// package does the same on a bare Debian, with what it depends on.
func comesAndGoes(t *testing.T, deb string, program []byte) {
	if _, err := exec.LookPath("dpkg"); err != nil || os.Geteuid() != 0 {
		t.Skip("NOT RUN: root's dpkg alone installs a package")
	}
	root := t.TempDir()
	for _, folder := range []string{"updates", "info", "triggers"} {
		if err := os.MkdirAll(filepath.Join(root, "var/lib/dpkg", folder), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.WriteFile(filepath.Join(root, "var/lib/dpkg/status"), nil, 0o644); err != nil {
		t.Fatal(err)
	}
	dpkg := func(args ...string) {
		t.Helper()
		if out, err := exec.Command("dpkg", append([]string{"--root=" + root, "--log=/dev/null", "--force-depends"}, args...)...).CombinedOutput(); err != nil {
			t.Fatalf("dpkg %v: %v\n%s", args, err, out)
		}
	}
	dpkg("--install", deb)
	for _, name := range []string{
		"bin/tapload", "share/applications/tapload.desktop", "share/icons/hicolor/scalable/apps/tapload.svg", "share/man/man1/tapload.1.gz",
		"share/bash-completion/completions/tapload", "share/zsh/vendor-completions/_tapload", "share/fish/vendor_completions.d/tapload.fish", "share/doc/tapload/copyright", "share/doc/tapload/THIRD-PARTY.txt", "share/doc/tapload/changelog.gz",
	} {
		data, err := os.ReadFile(filepath.Join(root, "usr", name))
		if err != nil || len(data) == 0 || name == "bin/tapload" && !bytes.Equal(data, program) {
			t.Errorf("installed, usr/%s has %d bytes, %v, or another program than the archive", name, len(data), err)
		}
		if strings.HasPrefix(name, "share/doc/") && !strings.HasSuffix(name, ".gz") && !utf8.Valid(data) {
			t.Errorf("usr/%s is not in UTF-8", name)
		}
	}
	dpkg("--remove", "tapload")
	if err := filepath.WalkDir(root, func(path string, d fs.DirEntry, err error) error {
		if rel, _ := filepath.Rel(root, path); rel == filepath.Join("var", "lib", "dpkg") {
			return filepath.SkipDir
		} else if !slices.Contains([]string{".", "var", filepath.Join("var", "lib")}, rel) {
			t.Errorf("removed, it leaves %s", rel)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// The notes of a release are those of its tag.
func TestReleaseNotes(t *testing.T) {
	t.Chdir(t.TempDir())
	git := func(args ...string) {
		t.Helper()
		if out, err := exec.Command("git", append([]string{"-c", "user.name=x", "-c", "user.email=x@x.invalid"}, args...)...).CombinedOutput(); err != nil {
			t.Fatalf("git %v: %v\n%s", args, err, out)
		}
	}
	git("init", "-q")
	git("commit", "-q", "--allow-empty", "-m", "first")
	git("tag", "-a", "v1.2.0", "-m", "Cabinets are louder.")
	for version, want := range map[string]string{"v1.2.0": "tapload v1.2.0\n\nCabinets are louder.\n", "v1.2.0-1-gabcdef0": "This is no release: "} {
		path, err := releaseNotes(".", version)
		if err != nil {
			t.Fatal(err)
		}
		if text, err := os.ReadFile(path); err != nil || !strings.Contains(string(text), want) {
			t.Errorf("%s: %q, %v, want %q in it", version, text, err, want)
		}
	}
}

// Each version is newer than those before it, as Debian's packages count.
func TestPackageVersion(t *testing.T) {
	when := time.Date(2030, 2, 1, 0, 0, 0, 0, time.UTC)
	older := ""
	for _, c := range [][2]string{
		{"0abcdef", "0~20300201.0abcdef"}, {"v1.2.0-rc1", "1.2.0~rc1"}, {"v1.2.0", "1.2.0"}, {"v1.2.0-3-gabcdef0", "1.2.0+3+gabcdef0"}, {"v1.2.0-10-gabcdef0-dirty", "1.2.0+10+gabcdef0+dirty"}, {"v1.3.0", "1.3.0"},
	} {
		got := packageVersion(c[0], when)
		if got != c[1] {
			t.Errorf("%s is %s, want %s", c[0], got, c[1])
		}
		if _, err := exec.LookPath("dpkg"); err == nil && older != "" {
			if err := exec.Command("dpkg", "--compare-versions", older, "lt", got).Run(); err != nil {
				t.Errorf("%s is not newer than %s", got, older)
			}
		}
		older = got
	}
}

// read returns what is in the .zip at path, by name.
func read(t *testing.T, path string) (names []string, texts map[string][]byte) {
	t.Helper()
	z, err := zip.OpenReader(path)
	if err != nil {
		t.Fatal(err)
	}
	defer z.Close()
	texts = map[string][]byte{}
	for _, f := range z.File {
		data, err := fs.ReadFile(z, f.Name)
		if err != nil {
			t.Fatal(err)
		}
		names = append(names, f.Name)
		texts[f.Name] = data
	}
	return names, texts
}

// The archive for Windows has the sound-card library beside the program, with
// its licence.
func TestWindowsArchive(t *testing.T) {
	path := madeTwice(t, "windows/amd64")
	names, texts := read(t, path)
	if want := []string{"LICENSE", "README.md", "THIRD-PARTY.txt", "libportaudio.dll", "tapload.exe"}; !slices.Equal(names, want) {
		t.Fatalf("in the archive are %v, want %v", names, want)
	}
	notice := string(texts["THIRD-PARTY.txt"])
	for _, want := range []string{
		"tapload for windows on amd64: run under Wine", "from its own folder: libportaudio.dll",
		"\nPortAudio 19.7.0 (libportaudio.dll)\n===", "Copyright (c) 1999-2006 Ross Bencina and Phil Burk",
		"\nMinGW-w64 runtime (in libportaudio.dll, built by ", "2009-2016 the mingw-w64 project", "LUCENT DISCLAIMS",
	} {
		if !strings.Contains(notice, want) {
			t.Errorf("THIRD-PARTY.txt does not say %q", want)
		}
	}
}

// The sound-card library is the same from anywhere, needs no file that a Windows
// may lack, and has what the program calls.
func TestSoundLibrary(t *testing.T) {
	const shared = "../../build/portaudio"
	if _, _, err := soundLibrary(shared); err != nil {
		t.Fatal(err)
	}
	source, err := os.ReadFile(filepath.Join(shared, portaudioSource))
	if err != nil {
		t.Fatal(err)
	}
	var libraries [2][]byte
	for i := range libraries {
		cache, temp := t.TempDir(), t.TempDir()
		t.Setenv("TMPDIR", temp)
		if err := os.WriteFile(filepath.Join(cache, portaudioSource), source, 0o666); err != nil {
			t.Fatal(err)
		}
		if libraries[i], _, err = soundLibrary(cache); err != nil {
			t.Fatal(err)
		}
		if left, err := os.ReadDir(temp); err != nil || len(left) > 0 {
			t.Errorf("left behind: %v, %v", left, err)
		}
	}
	if !bytes.Equal(libraries[0], libraries[1]) {
		t.Error("made in another folder, the library is not the same")
	}

	f, err := pe.NewFile(bytes.NewReader(libraries[0]))
	if err != nil {
		t.Fatal(err)
	}
	if f.TimeDateStamp != 0 || f.Machine != pe.IMAGE_FILE_MACHINE_AMD64 {
		t.Errorf("time stamp %d, machine %#x", f.TimeDateStamp, f.Machine)
	}
	symbols, err := f.ImportedSymbols()
	if err != nil {
		t.Fatal(err)
	}
	for _, s := range symbols {
		_, from, _ := strings.Cut(s, ":")
		if !slices.Contains([]string{"kernel32.dll", "msvcrt.dll", "ole32.dll", "user32.dll", "winmm.dll"}, strings.ToLower(from)) {
			t.Errorf("it needs %s", s)
		}
	}
	program, err := os.ReadFile("../../measure/card/portaudio/system_dynamic.go")
	if err != nil {
		t.Fatal(err)
	}
	called := regexp.MustCompile(`"Pa_\w+"`).FindAllString(string(program), -1)
	for _, name := range called {
		if !bytes.Contains(libraries[0], []byte("\x00"+strings.Trim(name, `"`)+"\x00")) {
			t.Errorf("it has no function %s", name)
		}
	}
	if len(called) < 10 || len(symbols) < 50 {
		t.Errorf("the program calls %d functions, the library %d", len(called), len(symbols))
	}
}

// Sources that are not those that are meant are not built, and a machine without
// the compiler says what to install.
func TestSoundLibraryCannotBeMade(t *testing.T) {
	cache := t.TempDir()
	if err := os.WriteFile(filepath.Join(cache, portaudioSource), []byte("something else"), 0o666); err != nil {
		t.Fatal(err)
	}
	if _, _, err := soundLibrary(cache); err == nil || !strings.Contains(err.Error(), "not "+portaudioSHA256) {
		t.Error(err)
	}
	t.Setenv("PATH", t.TempDir())
	if _, _, err := soundLibrary(cache); err == nil || !strings.Contains(err.Error(), "gcc-mingw-w64-x86-64") {
		t.Error(err)
	}
}

func TestUnknownSystem(t *testing.T) {
	t.Chdir(filepath.Join("..", ".."))
	if err := makeAll(io.Discard, t.TempDir(), "linux/amiga"); err == nil || !strings.Contains(err.Error(), "linux/amiga is none of the systems") {
		t.Error(err)
	}
}

// A module without a licence must not be given away.
func TestLicences(t *testing.T) {
	top := t.TempDir()
	inner := filepath.Join(top, "inner")
	write := func(path, text string) {
		t.Helper()
		path = filepath.Join(top, path)
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	write("README", "free for all")
	write("license.go", "package license")
	write("inner/LICENSE", "inner")
	p := part{"example", []string{top, inner}}
	if text, err := p.licences(); err == nil || !strings.Contains(err.Error(), "no licence") {
		t.Errorf("got %q, %v", text, err)
	}
	write("COPYING.md", "top\n\n")
	write("licenses/a.txt", "a")
	write("apart/LICENSE", "of a package that is not linked")
	got, err := p.licences()
	if want := "\n--- COPYING.md\n\ntop\n\n--- licenses/a.txt\n\na\n\n--- inner/LICENSE\n\ninner\n"; err != nil || got != want {
		t.Errorf("got %q, %v, want %q", got, err, want)
	}
}

func TestZip(t *testing.T) {
	when := time.Date(2026, 2, 3, 4, 5, 6, 0, time.UTC)
	entries := []entry{{"a.txt", 0o644, []byte("text")}, {"b.exe", 0o755, bytes.Repeat([]byte("program"), 1000)}}
	var buf, again bytes.Buffer
	if err := errors.Join(writeZip(&buf, "top", entries, when), writeZip(&again, "top", entries, when)); err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(buf.Bytes(), again.Bytes()) {
		t.Error("made twice, the archive is not the same")
	}
	r, err := zip.NewReader(bytes.NewReader(buf.Bytes()), int64(buf.Len()))
	if err != nil {
		t.Fatal(err)
	}
	if len(r.File) != len(entries) {
		t.Fatalf("there are %d files, want %d", len(r.File), len(entries))
	}
	for i, f := range r.File {
		file, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		data, err := io.ReadAll(file)
		if err := errors.Join(err, file.Close()); err != nil {
			t.Fatal(err)
		}
		e := entries[i]
		if f.Name != e.name || f.Mode() != e.mode || !f.Modified.Equal(when) || !bytes.Equal(data, e.data) {
			t.Errorf("%s, %v, of %v, %d bytes", f.Name, f.Mode(), f.Modified, len(data))
		}
	}
}

// Command dist builds the program for other systems, each in an archive with
// its licences: go run ./.ci/dist [-o build/dist] [-only linux/amd64]
//
// The same commit gives the same bytes: times are those of the commit, names are
// sorted, and the build keeps no paths. The sound-card library that lies beside
// the Windows program is the same for the same compiler.
package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"debug/buildinfo"
	"errors"
	"flag"
	"fmt"
	"io"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

// target is a system that an archive is made for.
type target struct{ system, arch, tried string }

func (t target) String() string { return t.system + "/" + t.arch }

const compiled = "compiled only, not run"

// targets are the systems, and what was done with each build of them.
var targets = []target{
	{"linux", "amd64", "run by its tests on Debian 12, with a simulated sound card; it needs glibc"},
	{"linux", "arm64", "its demonstration run under emulation on Debian 12; it needs glibc"},
	{"windows", "amd64", "run under Wine 8 on Debian 12, with a simulated sound card; not on Windows"},
	{"darwin", "amd64", compiled},
	{"darwin", "arm64", compiled},
}

func main() {
	log.SetFlags(0)
	log.SetPrefix("dist: ")
	out := flag.String("o", filepath.Join("build", "dist"), "`folder` for the archives")
	only := flag.String("only", "", "one `system/architecture` alone")
	flag.Parse()
	if err := makeAll(os.Stdout, *out, *only); err != nil {
		log.Fatal(err)
	}
}

// makeAll makes the archives, or the one of only, and names them on w.
func makeAll(w io.Writer, folder, only string) error {
	version, err := output(nil, "git", "describe", "--tags", "--always", "--dirty")
	if err != nil {
		return err
	}
	stamp, err := output(nil, "git", "log", "-1", "--format=%ct")
	if err != nil {
		return err
	}
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil {
		return fmt.Errorf("the time of the commit is %q: %w", stamp, err)
	}
	if err := os.MkdirAll(folder, 0o777); err != nil {
		return err
	}
	var made []string
	for _, t := range targets {
		if only != "" && only != t.String() {
			continue
		}
		paths, err := t.pack(folder, version, time.Unix(seconds, 0).UTC())
		if err != nil {
			return fmt.Errorf("%v: %w", t, err)
		}
		made = append(made, paths...)
	}
	if made == nil {
		return fmt.Errorf("%s is none of the systems %v", only, targets)
	}
	notes, err := releaseNotes(folder, version)
	if err != nil {
		return err
	}
	sums, err := checksums(folder, append(made, notes))
	if err != nil {
		return err
	}
	_, err = fmt.Fprintln(w, strings.Join(append(made, notes, sums), "\n"))
	return err
}

// releaseNotes writes what the tag of the version says of it.
func releaseNotes(folder, version string) (path string, err error) {
	text, err := output(nil, "git", "tag", "-l", "--format=%(contents)", version)
	if err != nil {
		return "", err
	}
	if text == "" {
		text = "This is no release: its commit has no tag of its own."
	}
	path = filepath.Join(folder, "RELEASE-NOTES.txt")
	return path, os.WriteFile(path, fmt.Appendf(nil, "tapload %s\n\n%s\n", version, text), 0o666)
}

// checksums writes the SHA-256 of files for "sha256sum -c".
func checksums(folder string, files []string) (path string, err error) {
	var b bytes.Buffer
	for _, f := range files {
		data, err := os.ReadFile(f)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "%x  %s\n", sha256.Sum256(data), filepath.Base(f))
	}
	path = filepath.Join(folder, "SHA256SUMS")
	return path, os.WriteFile(path, b.Bytes(), 0o666)
}

// output returns what a command prints, with env added to its environment.
func output(env []string, name string, args ...string) (string, error) {
	c := exec.Command(name, args...)
	c.Env = append(os.Environ(), env...)
	c.Stderr = os.Stderr
	out, err := c.Output()
	if err != nil {
		return "", fmt.Errorf("%s %s: %w", name, strings.Join(args, " "), err)
	}
	return strings.TrimSpace(string(out)), nil
}

// entry is a file of an archive.
type entry struct {
	name string
	mode os.FileMode
	data []byte
}

// environment has Go build for t.
func (t target) environment() []string {
	return []string{"CGO_ENABLED=0", "GOOS=" + t.system, "GOARCH=" + t.arch}
}

// pack makes the archive of t, and its packages where it has some, and returns
// their paths.
func (t target) pack(folder, version string, when time.Time) ([]string, error) {
	name := fmt.Sprintf("tapload-%s-%s-%s", version, t.system, t.arch)
	program := "tapload"
	if t.system == "windows" {
		program += ".exe"
	}
	temp, err := os.MkdirTemp("", "tapload-dist-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(temp)
	binary := filepath.Join(temp, program)
	// On Windows and macOS it can be loaded anywhere as it is; packages of Linux
	// distributions are asked to be.
	if _, err := output(t.environment(), "go", "build", "-buildmode=pie", "-trimpath", "-buildvcs=true", "-ldflags=-s -w", "-o", binary, "./cmd/tapload"); err != nil {
		return nil, err
	}
	var entries []entry
	var beside []notice
	if t.system == "windows" {
		library, notices, err := soundLibrary(filepath.Join("build", "portaudio"))
		if err != nil {
			return nil, err
		}
		entries, beside = append(entries, entry{windowsLibrary, 0o644, library}), notices
	}
	text, err := t.thirdParty(binary, beside)
	if err != nil {
		return nil, err
	}
	entries = append(entries, entry{"THIRD-PARTY.txt", 0o644, text})
	files := []struct {
		path string
		mode os.FileMode
	}{{binary, 0o755}, {"README.md", 0o644}, {"LICENSE", 0o644}}
	if t.system == "darwin" {
		files = append(files, files[0], files[1])
		files[3].path, files[4].path = ".ci/dist/desktop/tapload.command", ".ci/dist/desktop/FIRST-START.txt"
	}
	for _, f := range files {
		data, err := os.ReadFile(f.path)
		if err != nil {
			return nil, err
		}
		entries = append(entries, entry{filepath.Base(f.path), f.mode, data})
	}
	slices.SortFunc(entries, func(a, b entry) int { return strings.Compare(a.name, b.name) })

	var buf bytes.Buffer
	ending, write := ".tar.gz", writeTar
	if t.system == "windows" {
		ending, write = ".zip", writeZip
	}
	if err := write(&buf, name, entries, when); err != nil {
		return nil, err
	}
	path := filepath.Join(folder, name+ending)
	if err := os.WriteFile(path, buf.Bytes(), 0o666); err != nil || t.system != "linux" {
		return []string{path}, err
	}
	i := slices.IndexFunc(entries, func(e entry) bool { return e.name == program })
	more, err := t.packages(folder, version, entries[i].data, text, when)
	return append([]string{path}, more...), err
}

// part is something that is linked into the program, with the folders that its
// packages in it come from; the first is the top.
type part struct {
	name    string
	folders []string
}

// credits are sentences that a licence asks for.
var credits = map[string]string{
	"github.com/golang/freetype": "it is based in part on the work of the FreeType Team",
}

// thirdParty lists what is linked into a program, by the program itself, and what
// lies beside it, with the full text of each licence.
func (t target) thirdParty(binary string, beside []notice) ([]byte, error) {
	info, err := buildinfo.ReadFile(binary)
	if err != nil {
		return nil, err
	}
	if !slices.ContainsFunc(info.Settings, func(s debug.BuildSetting) bool { return s.Key == "vcs.revision" }) {
		return nil, errors.New("the program does not know its commit, which Go takes from a clone, and not from a worktree of git; make it in a clone")
	}
	folders, err := t.folders()
	if err != nil {
		return nil, err
	}
	goroot, err := output(nil, "go", "env", "GOROOT")
	if err != nil {
		return nil, err
	}
	parts := []part{{"Go and its library " + info.GoVersion, []string{goroot}}}
	for _, m := range info.Deps {
		if m.Replace != nil {
			return nil, fmt.Errorf("%s is replaced by %s, whose licence is not looked for", m.Path, m.Replace.Path)
		}
		p := part{m.Path + " " + m.Version, folders[m.Path]}
		if p.folders == nil {
			return nil, fmt.Errorf("%s is in the program, but go list does not know it", p.name)
		}
		parts = append(parts, p)
	}

	var b bytes.Buffer
	fmt.Fprintf(&b, "tapload for %s on %s: %s.\n\nAll archives of it:\n\n", t.system, t.arch, t.tried)
	for _, t := range targets {
		fmt.Fprintf(&b, "  %-14v %s\n", t, t.tried)
	}
	b.WriteString("\nNone was tried on a real sound card. The sound-card library PortAudio (MIT licence) is no\npart of the program, which loads it ")
	if len(beside) == 0 {
		b.WriteString("where a machine has it.\n")
	} else {
		fmt.Fprintf(&b, "from its own folder: %s, made of\nthe unchanged sources of version %s for MME, DirectSound and WASAPI.\n", windowsLibrary, portaudioVersion)
	}
	b.WriteString("\nLinked into this program, with licences that follow:\n\n")
	for _, p := range parts {
		fmt.Fprintf(&b, "  %s\n", p.name)
		if path, _, _ := strings.Cut(p.name, " "); credits[path] != "" {
			fmt.Fprintf(&b, "    (%s)\n", credits[path])
		}
	}
	for _, p := range parts {
		text, err := p.licences()
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.name, err)
		}
		fmt.Fprintf(&b, "\n%s\n%s\n%s", p.name, strings.Repeat("=", len(p.name)), text)
	}
	for _, n := range beside {
		fmt.Fprintf(&b, "\n%s\n%s\n\n%s\n", n.name, strings.Repeat("=", len(n.name)), strings.TrimSpace(n.text))
	}
	return b.Bytes(), nil
}

// folders returns, by module, its folder and those of its packages that the
// program of t has in it.
func (t target) folders() (map[string][]string, error) {
	list, err := output(t.environment(), "go", "list", "-deps", "-f", "{{with .Module}}{{.Path}}\t{{.Dir}}\t{{$.Dir}}{{end}}", "./cmd/tapload")
	if err != nil {
		return nil, err
	}
	folders := map[string][]string{}
	for line := range strings.Lines(list) {
		f := strings.Split(strings.TrimSpace(line), "\t")
		if len(f) != 3 {
			continue // of the Go library
		}
		for _, folder := range f[1:] {
			if !slices.Contains(folders[f[0]], folder) {
				folders[f[0]] = append(folders[f[0]], folder)
			}
		}
	}
	return folders, nil
}

// licences returns the texts of all licences at the top of p, in a folder of
// licences there, and beside its packages: some modules keep those of code that
// they took over apart.
func (p part) licences() (string, error) {
	var paths []string
	for i, folder := range p.folders {
		files, err := os.ReadDir(folder)
		if err != nil {
			return "", err
		}
		for _, f := range files {
			path := filepath.Join(folder, f.Name())
			switch {
			case !isLicence(f.Name()):
			case !f.IsDir():
				paths = append(paths, path)
			case i == 0:
				inside, err := filepath.Glob(filepath.Join(path, "*"))
				if err != nil {
					return "", err
				}
				paths = append(paths, inside...)
			}
		}
		if i == 0 && len(paths) == 0 {
			return "", fmt.Errorf("there is no licence in %s; do not give it away", folder)
		}
	}
	var b strings.Builder
	for _, path := range paths {
		text, err := os.ReadFile(path)
		if err != nil {
			return "", err
		}
		name, err := filepath.Rel(p.folders[0], path)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(&b, "\n--- %s\n\n%s\n", filepath.ToSlash(name), bytes.TrimSpace(inUTF8(text)))
	}
	return b.String(), nil
}

// inUTF8 is a text that is in UTF-8 or, as older ones are, in Latin-1.
func inUTF8(text []byte) []byte {
	if utf8.Valid(text) {
		return text
	}
	var b []byte
	for _, c := range text {
		b = utf8.AppendRune(b, rune(c)) // each is its own number in Unicode
	}
	return b
}

func isLicence(name string) bool {
	for _, word := range []string{"LICEN", "COPYING", "NOTICE"} {
		if strings.Contains(strings.ToUpper(name), word) {
			return !strings.HasSuffix(name, ".go")
		}
	}
	return false
}

func writeTar(w io.Writer, top string, entries []entry, when time.Time) error {
	z, err := gzip.NewWriterLevel(w, gzip.BestCompression)
	if err != nil {
		return err
	}
	t := tar.NewWriter(z)
	for _, e := range entries {
		if err := t.WriteHeader(&tar.Header{Name: top + "/" + e.name, Mode: int64(e.mode), Size: int64(len(e.data)), ModTime: when, Format: tar.FormatUSTAR}); err != nil {
			return err
		}
		if _, err := t.Write(e.data); err != nil {
			return err
		}
	}
	if err := t.Close(); err != nil {
		return err
	}
	return z.Close()
}

// writeZip has no folder at its top: Windows unpacks into one of the archive's name.
func writeZip(w io.Writer, _ string, entries []entry, when time.Time) error {
	z := zip.NewWriter(w)
	for _, e := range entries {
		h := &zip.FileHeader{Name: e.name, Method: zip.Deflate, Modified: when}
		h.SetMode(e.mode)
		f, err := z.CreateHeader(h)
		if err != nil {
			return err
		}
		if _, err := f.Write(e.data); err != nil {
			return err
		}
	}
	return z.Close()
}

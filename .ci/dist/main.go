// Command dist builds the program for other systems, each in an archive with
// its licences: go run ./.ci/dist [-o build/dist] [-only linux/amd64]
//
// The same commit gives the same bytes: times are those of the commit, names are
// sorted, and the build keeps no paths.
package main

import (
	"archive/tar"
	"archive/zip"
	"bytes"
	"compress/gzip"
	"debug/buildinfo"
	"flag"
	"fmt"
	"io"
	"log"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"
)

// targets are the systems, and what was done with each build of them.
var targets = []struct{ system, arch, tried string }{
	{"linux", "amd64", "its tests run on Debian 12, the sound card through a simulated one"},
	{"linux", "arm64", "compiled only, not run"},
	{"windows", "amd64", "compiled only, not run"},
	{"darwin", "amd64", "compiled only, not run"},
	{"darwin", "arm64", "compiled only, not run"},
}

func main() {
	log.SetFlags(0)
	log.SetPrefix("dist: ")
	out := flag.String("o", filepath.Join("build", "dist"), "`folder` for the archives")
	only := flag.String("only", "", "one `system/architecture` alone")
	flag.Parse()
	version, err := git("describe", "--tags", "--always", "--dirty")
	if err != nil {
		log.Fatal(err)
	}
	stamp, err := git("log", "-1", "--format=%ct")
	if err != nil {
		log.Fatal(err)
	}
	seconds, err := strconv.ParseInt(stamp, 10, 64)
	if err != nil {
		log.Fatal(err)
	}
	if err := os.MkdirAll(*out, 0o777); err != nil {
		log.Fatal(err)
	}
	made := 0
	for _, t := range targets {
		if *only != "" && *only != t.system+"/"+t.arch {
			continue
		}
		path, err := pack(*out, version, t.system, t.arch, t.tried, time.Unix(seconds, 0).UTC())
		if err != nil {
			log.Fatalf("%s/%s: %v", t.system, t.arch, err)
		}
		fmt.Println(path)
		made++
	}
	if made == 0 {
		log.Fatalf("-only %s is none of the systems", *only)
	}
}

func git(args ...string) (string, error) {
	out, err := exec.Command("git", args...).Output()
	if err != nil {
		return "", fmt.Errorf("git %s: %w", strings.Join(args, " "), err)
	}
	return strings.TrimSpace(string(out)), nil
}

// entry is a file of an archive.
type entry struct {
	name string
	mode os.FileMode
	data []byte
}

func pack(folder, version, system, arch, tried string, when time.Time) (string, error) {
	name := fmt.Sprintf("tapload-%s-%s-%s", version, system, arch)
	program := "tapload"
	if system == "windows" {
		program += ".exe"
	}
	temp, err := os.MkdirTemp("", "tapload-dist-*")
	if err != nil {
		return "", err
	}
	defer os.RemoveAll(temp)
	binary := filepath.Join(temp, program)
	build := exec.Command("go", "build", "-trimpath", "-o", binary, "./cmd/tapload")
	build.Env = append(os.Environ(), "CGO_ENABLED=0", "GOOS="+system, "GOARCH="+arch)
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		return "", fmt.Errorf("building: %w", err)
	}
	notice, err := thirdParty(binary, system, arch, tried)
	if err != nil {
		return "", err
	}
	entries := []entry{{"THIRD-PARTY.txt", 0o644, notice}}
	for _, f := range []struct {
		path string
		mode os.FileMode
	}{{binary, 0o755}, {"README.md", 0o644}, {"LICENSE", 0o644}} {
		data, err := os.ReadFile(f.path)
		if err != nil {
			return "", err
		}
		entries = append(entries, entry{filepath.Base(f.path), f.mode, data})
	}
	slices.SortFunc(entries, func(a, b entry) int { return strings.Compare(a.name, b.name) })

	var buf bytes.Buffer
	ending, write := ".tar.gz", writeTar
	if system == "windows" {
		ending, write = ".zip", writeZip
	}
	if err := write(&buf, name, entries, when); err != nil {
		return "", err
	}
	path := filepath.Join(folder, name+ending)
	return path, os.WriteFile(path, buf.Bytes(), 0o666)
}

// thirdParty lists what is linked into a program, by the program itself, with
// the full text of each licence.
func thirdParty(binary, system, arch, tried string) ([]byte, error) {
	info, err := buildinfo.ReadFile(binary)
	if err != nil {
		return nil, err
	}
	var b bytes.Buffer
	fmt.Fprintf(&b, "tapload for %s on %s: %s.\n\nIt is linked with these, whose licences follow:\n\n", system, arch, tried)
	type part struct{ name, folder string }
	goroot, err := exec.Command("go", "env", "GOROOT").Output()
	if err != nil {
		return nil, err
	}
	parts := []part{{"the Go library " + info.GoVersion, strings.TrimSpace(string(goroot))}}
	for _, m := range info.Deps {
		if m.Replace != nil {
			m = m.Replace
		}
		where, err := exec.Command("go", "list", "-m", "-f", "{{.Dir}}", m.Path).Output()
		if err != nil {
			return nil, fmt.Errorf("finding %s: %w", m.Path, err)
		}
		parts = append(parts, part{m.Path + " " + m.Version, strings.TrimSpace(string(where))})
	}
	for _, p := range parts {
		fmt.Fprintf(&b, "  %s\n", p.name)
	}
	b.WriteString("\nThe sound-card library PortAudio (MIT licence) is no part of it: it is loaded where a machine has it.\n")
	for _, p := range parts {
		text, err := licence(p.folder)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", p.name, err)
		}
		fmt.Fprintf(&b, "\n%s\n%s\n\n%s\n", p.name, strings.Repeat("=", len(p.name)), strings.TrimSpace(text))
	}
	return b.Bytes(), nil
}

// licence returns the licences of a module's folder.
func licence(folder string) (string, error) {
	files, err := os.ReadDir(folder)
	if err != nil {
		return "", err
	}
	var texts []string
	for _, f := range files {
		name := strings.ToUpper(f.Name())
		if f.IsDir() || !strings.HasPrefix(name, "LICEN") && !strings.HasPrefix(name, "COPYING") && !strings.HasPrefix(name, "NOTICE") {
			continue
		}
		data, err := os.ReadFile(filepath.Join(folder, f.Name()))
		if err != nil {
			return "", err
		}
		texts = append(texts, string(data))
	}
	if len(texts) == 0 {
		return "", fmt.Errorf("there is no licence in %s; do not give it away", folder)
	}
	return strings.Join(texts, "\n"), nil
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

func writeZip(w io.Writer, top string, entries []entry, when time.Time) error {
	z := zip.NewWriter(w)
	for _, e := range entries {
		h := &zip.FileHeader{Name: top + "/" + e.name, Method: zip.Deflate, Modified: when}
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

package main

import (
	"bytes"
	"compress/gzip"
	_ "embed"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"time"
)

// packager makes packages for Debian and for systems with RPM.
const packager = "github.com/goreleaser/nfpm/v2/cmd/nfpm@v2.42.0"

//go:embed desktop/tapload.desktop
var desktopEntry []byte

//go:embed desktop/tapload.svg
var icon []byte

// content is a file of a package, as the packager's configuration names it.
type content struct {
	From string `json:"src,omitempty"`
	To   string `json:"dst"`
	Type string `json:"type,omitempty"`
	Info struct {
		Mode  os.FileMode `json:"mode"`
		When  time.Time   `json:"mtime"`
		Owner string      `json:"owner"`
		Group string      `json:"group"`
	} `json:"file_info"`
}

// described is what git calls a commit by its tag: the tag, and what came after.
var described = regexp.MustCompile(`^v(.*?)((?:-\d+-g[0-9a-f]+)?(?:-dirty)?)$`)

// packageVersion writes what git calls a commit as both kinds of packages order
// versions: a commit after a tag is newer than it, a candidate older than its
// release, and a commit before all tags older than every release.
func packageVersion(commit string, when time.Time) string {
	m := described.FindStringSubmatch(commit)
	if m == nil {
		return "0~" + when.Format("20060102.") + strings.ReplaceAll(commit, "-", ".")
	}
	return strings.ReplaceAll(m[1], "-", "~") + strings.ReplaceAll(m[2], "-", "+")
}

// packages makes the packages of t, with the program, manual, completions and
// desktop entry, and returns their paths.
func (t target) packages(folder, version string, program, notices []byte, when time.Time) (paths []string, err error) {
	temp, err := os.MkdirTemp("", "tapload-package-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(temp)
	files, err := installed(temp, version, when)
	if err != nil {
		return nil, err
	}
	licence, err := os.ReadFile("LICENSE")
	if err != nil {
		return nil, err
	}
	files["bin/tapload"], files["share/doc/tapload/THIRD-PARTY.txt"] = program, notices
	files["share/doc/tapload/copyright"] = append(licence, "\nWhat is linked into the program, and its licences: THIRD-PARTY.txt beside this file.\n"...)
	for _, kind := range []struct{ name, arch, library, c, zsh, file string }{
		{"deb", t.arch, "libportaudio2", "libc6", "share/zsh/vendor-completions/_tapload", "tapload_%s_%s.deb"},
		{"rpm", map[string]string{"amd64": "x86_64", "arm64": "aarch64"}[t.arch], "libportaudio.so.2()(64bit)", "libc.so.6()(64bit)", "share/zsh/site-functions/_tapload", "tapload-%s.%s.rpm"},
	} {
		var all []content
		for name, data := range files {
			from := filepath.Join(temp, "files", filepath.FromSlash(name))
			if err := os.MkdirAll(filepath.Dir(from), 0o777); err != nil {
				return nil, err
			}
			if err := os.WriteFile(from, data, 0o666); err != nil {
				return nil, err
			}
			if name == zshCompletion {
				name = kind.zsh
			}
			c := content{From: from, To: "/usr/" + name}
			c.Info.Mode, c.Info.When, c.Info.Owner, c.Info.Group = 0o644, when, "root", "root"
			if strings.HasPrefix(name, "bin/") {
				c.Info.Mode = 0o755
			}
			all = append(all, c)
		}
		setup := map[string]any{
			"name": "tapload", "arch": t.arch, "platform": "linux", "version": packageVersion(version, when), "version_schema": "none",
			"maintainer": maintainer, "section": "electronics", "priority": "optional", "mtime": when,
			"description": "measure loudspeaker loads with a sound card and one resistor\n" +
				"Measures the impedance of instrument cabinets and drivers, says which tap\nand hookup suit, draws and proves jumper boxes, and writes the job sheet.",
			"depends": []string{kind.library, kind.c}, "contents": all,
		}
		if kind.name == "rpm" {
			// What no package owns is left behind when this one is removed. Debian's
			// takes such folders away, and has no field for a licence.
			own := content{To: "/usr/share/doc/tapload", Type: "dir"}
			own.Info.Mode, own.Info.When, own.Info.Owner, own.Info.Group = 0o755, when, "root", "root"
			setup["contents"], setup["license"] = append(all, own), "MIT"
			setup["rpm"] = map[string]any{"buildhost": "localhost", "group": "Applications/Multimedia"}
		}
		data, err := json.Marshal(setup) // which is YAML too
		if err != nil {
			return nil, err
		}
		path := filepath.Join(temp, "nfpm.json")
		if err := os.WriteFile(path, data, 0o666); err != nil {
			return nil, err
		}
		to := filepath.Join(folder, fmt.Sprintf(kind.file, packageVersion(version, when), kind.arch))
		c := exec.Command("go", "run", packager, "package", "--config", path, "--packager", kind.name, "--target", to)
		c.Env = append(os.Environ(), fmt.Sprintf("SOURCE_DATE_EPOCH=%d", when.Unix()))
		if said, err := c.CombinedOutput(); err != nil {
			return nil, fmt.Errorf("the %s package: %w\n%s", kind.name, err, said)
		}
		paths = append(paths, to)
	}
	return paths, nil
}

const (
	zshCompletion = "share/zsh/_tapload"

	// maintainer is nobody: a package must name an address.
	maintainer = "The tapload authors <tapload@tapload.invalid>"
)

// installed returns what the packages of all processors have besides the program,
// by path below /usr: what a program of this machine says of itself.
func installed(temp, version string, when time.Time) (map[string][]byte, error) {
	own := filepath.Join(temp, "own")
	if _, err := output([]string{"CGO_ENABLED=0"}, "go", "build", "-trimpath", "-buildvcs=true", "-o", own, "./cmd/tapload"); err != nil {
		return nil, err
	}
	files := map[string][]byte{
		"share/applications/tapload.desktop":            desktopEntry,
		"share/icons/hicolor/scalable/apps/tapload.svg": icon,
	}
	for shell, path := range map[string]string{"bash": "share/bash-completion/completions/tapload", "zsh": zshCompletion, "fish": "share/fish/vendor_completions.d/tapload.fish"} {
		said, err := exec.Command(own, "completion", shell).Output()
		if err != nil {
			return nil, fmt.Errorf("the completion of %s: %w", shell, err)
		}
		files[path] = said
	}
	pages := filepath.Join(temp, "man1")
	if _, err := output(nil, own, "manual", "-o", pages); err != nil {
		return nil, err
	}
	all, err := os.ReadDir(pages)
	if err != nil {
		return nil, err
	}
	for _, page := range all {
		text, err := os.ReadFile(filepath.Join(pages, page.Name()))
		if err != nil {
			return nil, err
		}
		if files["share/man/man1/"+page.Name()+".gz"], err = compressed(text); err != nil {
			return nil, err
		}
	}
	changes := fmt.Sprintf("tapload (%s) unstable; urgency=medium\n\n  * Built from commit %s.\n\n -- %s  %s\n", packageVersion(version, when), version, maintainer, when.Format(time.RFC1123Z))
	files["share/doc/tapload/changelog.gz"], err = compressed([]byte(changes))
	return files, err
}

func compressed(data []byte) ([]byte, error) {
	var b bytes.Buffer
	z, err := gzip.NewWriterLevel(&b, gzip.BestCompression)
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(data); err != nil {
		return nil, err
	}
	err = z.Close()
	return b.Bytes(), err
}

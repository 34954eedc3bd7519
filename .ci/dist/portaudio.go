package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"strings"
)

// The sound-card library for Windows, which nobody offers for download, is built
// from the sources that Debian keeps.
const (
	portaudioVersion = "19.7.0"
	portaudioSource  = "portaudio19_" + portaudioVersion + ".orig.tar.gz"
	portaudioSHA256  = "5af29ba58bbdbb7bbcefaaecc77ec8fc413f0db6f4c4e286c40c3e1b83174fa0"
	debianPool       = "pool/main/p/portaudio19/"

	windowsLibrary  = "libportaudio.dll"
	windowsCompiler = "x86_64-w64-mingw32-gcc"
)

// compilation makes windowsLibrary in the folder of the sources. WDM/KS is left
// out, which takes a card away from all other programs, and ASIO, whose headers
// nobody may pass on. No file but those of every Windows is needed by it.
var compilation = []string{
	"-shared", "-s", "-O2", "-w", "-DNDEBUG", "-DUNICODE", "-D_UNICODE", "-DPA_LITTLE_ENDIAN",
	"-DPA_USE_WMME=1", "-DPA_USE_DS=1", "-DPA_USE_WASAPI=1", "-DPA_USE_WDMKS=0", "-DPA_USE_ASIO=0", "-DPAWIN_USE_WDMKS_DEVICE_INFO",
	"-Iinclude", "-Isrc/common", "-Isrc/os/win",
	"src/common/pa_allocation.c", "src/common/pa_converters.c", "src/common/pa_cpuload.c", "src/common/pa_debugprint.c", "src/common/pa_dither.c",
	"src/common/pa_front.c", "src/common/pa_process.c", "src/common/pa_ringbuffer.c", "src/common/pa_stream.c", "src/common/pa_trace.c",
	"src/os/win/pa_win_hostapis.c", "src/os/win/pa_win_util.c", "src/os/win/pa_win_waveformat.c", "src/os/win/pa_win_wdmks_utils.c", "src/os/win/pa_win_coinitialize.c",
	"src/hostapi/dsound/pa_win_ds.c", "src/hostapi/dsound/pa_win_ds_dynlink.c", "src/hostapi/wmme/pa_win_wmme.c", "src/hostapi/wasapi/pa_win_wasapi.c",
	exportList, "-static-libgcc", "-Wl,--no-insert-timestamp", "-lwinmm", "-lole32", "-luuid",
	"-o", windowsLibrary,
}

// exportList names the functions that the library offers; its template is for
// another way of building.
const (
	exportList     = "portaudio.def"
	exportTemplate = "cmake_support/template_portaudio.def"
)

// mingwLicence is that of the compiler's own library, of which a part is linked
// into every program, by Debian's mingw-w64 10.0.0.
//
//go:embed mingw-w64.txt
var mingwLicence string

// notice is a licence of something that is not a Go module.
type notice struct{ name, text string }

// soundLibrary returns the PortAudio library for Windows and what must be said
// with it. Sources and library are kept in the folder cache.
func soundLibrary(cache string) (library []byte, notices []notice, err error) {
	compiler, err := output(nil, windowsCompiler, "--version")
	if errors.Is(err, exec.ErrNotFound) {
		return nil, nil, fmt.Errorf("there is no %s, which builds the sound-card library of this archive; install it (Debian's package gcc-mingw-w64-x86-64; .ci/deps dist does it)", windowsCompiler)
	}
	if err != nil {
		return nil, nil, err
	}
	if err := os.MkdirAll(cache, 0o777); err != nil {
		return nil, nil, err
	}
	source, err := portaudioSources(cache)
	if err != nil {
		return nil, nil, err
	}
	files, err := unpackSources(source)
	if err != nil {
		return nil, nil, err
	}
	licence := files["LICENSE.txt"]
	if len(licence) == 0 {
		return nil, nil, fmt.Errorf("there is no LICENSE.txt in %s; do not give it away", portaudioSource)
	}
	compiler, _, _ = strings.Cut(compiler, "\n")
	notices = []notice{
		{"PortAudio " + portaudioVersion + " (" + windowsLibrary + ")", string(licence)},
		{"MinGW-w64 runtime (in " + windowsLibrary + ", built by " + compiler + ")", mingwLicence},
	}

	made := sha256.Sum256([]byte(portaudioSHA256 + "\n" + compiler + "\n" + strings.Join(compilation, "\n")))
	kept := filepath.Join(cache, hex.EncodeToString(made[:8])+"-"+windowsLibrary)
	library, err = os.ReadFile(kept)
	if err == nil {
		return library, notices, nil
	}
	if !errors.Is(err, fs.ErrNotExist) {
		return nil, nil, err
	}
	if library, err = compile(files); err != nil {
		return nil, nil, err
	}
	// Under its name there is never half a library, whatever stops this.
	if err := os.WriteFile(kept+".part", library, 0o666); err != nil {
		return nil, nil, err
	}
	return library, notices, os.Rename(kept+".part", kept)
}

// portaudioSources returns the archive of the sources, from the folder cache or
// from the machine's own Debian mirror.
func portaudioSources(cache string) ([]byte, error) {
	kept := filepath.Join(cache, portaudioSource)
	data, err := os.ReadFile(kept)
	if errors.Is(err, fs.ErrNotExist) {
		if err := download(kept); err != nil {
			return nil, fmt.Errorf("%w; put %s with the SHA-256 %s there by hand", err, kept, portaudioSHA256)
		}
		data, err = os.ReadFile(kept)
	}
	if err != nil {
		return nil, err
	}
	if sum := sha256.Sum256(data); hex.EncodeToString(sum[:]) != portaudioSHA256 {
		return nil, fmt.Errorf("%s has the SHA-256 %x, not %s; delete it", kept, sum, portaudioSHA256)
	}
	return data, nil
}

// download fetches the sources as apt fetches packages, proxy and all.
func download(to string) error {
	list, err := output(nil, "apt-get", "indextargets", "--format", "$(REPO_URI)")
	if err != nil {
		return fmt.Errorf("no Debian mirror is known, which the sources of PortAudio come from (%w)", err)
	}
	var errs []error
	tried := map[string]bool{}
	for mirror := range strings.Lines(list) {
		mirror = strings.TrimSpace(mirror)
		if tried[mirror] {
			continue
		}
		tried[mirror] = true
		// apt drops its rights, and may not write here: it writes into a folder of its own.
		temp, err := os.MkdirTemp("", "tapload-portaudio-*")
		if err != nil {
			return err
		}
		defer os.RemoveAll(temp)
		if err := os.Chmod(temp, 0o777); err != nil {
			return err
		}
		file := filepath.Join(temp, portaudioSource)
		said, err := exec.Command("/usr/lib/apt/apt-helper", "download-file", mirror+debianPool+portaudioSource, file, "SHA256:"+portaudioSHA256).CombinedOutput()
		if err == nil {
			data, err := os.ReadFile(file)
			if err != nil {
				return err
			}
			return os.WriteFile(to, data, 0o666)
		}
		errs = append(errs, fmt.Errorf("%s: %w: %s", mirror, err, bytes.TrimSpace(said)))
	}
	return fmt.Errorf("the sources of PortAudio cannot be fetched: %w", errors.Join(errs...))
}

// unpackSources returns the files of the archive, by path below its top folder.
func unpackSources(data []byte) (map[string][]byte, error) {
	z, err := gzip.NewReader(bytes.NewReader(data))
	if err != nil {
		return nil, err
	}
	files := map[string][]byte{}
	for r := tar.NewReader(z); ; {
		h, err := r.Next()
		if err == io.EOF {
			return files, nil
		}
		if err != nil {
			return nil, err
		}
		if h.Typeflag != tar.TypeReg {
			continue
		}
		if _, name, found := strings.Cut(path.Clean(h.Name), "/"); found && filepath.IsLocal(name) {
			if files[name], err = io.ReadAll(r); err != nil {
				return nil, err
			}
		}
	}
}

// compile makes the library of the sources, in a folder that it takes away again.
func compile(files map[string][]byte) ([]byte, error) {
	folder, err := os.MkdirTemp("", "tapload-portaudio-*")
	if err != nil {
		return nil, err
	}
	defer os.RemoveAll(folder)
	files[exportList] = exports(string(files[exportTemplate]))
	for name, data := range files {
		if !strings.HasPrefix(name, "src/") && !strings.HasPrefix(name, "include/") && name != exportList {
			continue
		}
		to := filepath.Join(folder, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(to), 0o777); err != nil {
			return nil, err
		}
		if err := os.WriteFile(to, data, 0o666); err != nil {
			return nil, err
		}
	}
	c := exec.Command(windowsCompiler, compilation...)
	c.Dir = folder
	if said, err := c.CombinedOutput(); err != nil {
		return nil, fmt.Errorf("%s does not build PortAudio: %w\n%s", windowsCompiler, err, said)
	}
	return os.ReadFile(filepath.Join(folder, windowsLibrary))
}

// exports fills in the template of the list: a mark before a name is a comment
// sign where the part that has the function is left out.
func exports(template string) []byte {
	var b bytes.Buffer
	for line := range strings.Lines(template) {
		mark, rest, found := strings.Cut(strings.TrimPrefix(line, "@"), "@")
		switch {
		case !strings.HasPrefix(line, "@") || !found:
			b.WriteString(line)
		case mark == "DEF_EXCLUDE_WASAPI_SYMBOLS":
			b.WriteString(rest)
		}
	}
	return b.Bytes()
}

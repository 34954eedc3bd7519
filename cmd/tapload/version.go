package main

import (
	"cmp"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
	"strings"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/screen"
	"tapload/measure/card/portaudio"
)

func newVersion(e env) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Long: `Print the version, the commit that it was built from, with what it was built for
which system, and the sound-card library with its interfaces to sound systems.`,
		Example: `  tapload version
  tapload version --json`,
		RunE: func(*cobra.Command, []string) error {
			v := readVersion().withLibrary()
			if asJSON {
				return writeJSON(e.stdout, v)
			}
			return v.print(e.stdout)
		},
	}
	c.Flags().BoolVar(&asJSON, "json", false, "print it as JSON")
	return c
}

type version struct {
	Version string `json:"version"`
	Commit  string `json:"commit"`
	Go      string `json:"go"`
	System  string `json:"system"`

	Library    *string  `json:"library"` // null where it cannot be used
	Interfaces []string `json:"interfaces"`
	why        error    // it cannot
}

func (v version) print(w io.Writer) error {
	var sound string
	if v.Library != nil {
		name, _, _ := strings.Cut(*v.Library, ", revision ") // which has no room
		sound = name + "\nthrough  " + strings.Join(v.Interfaces, ", ")
	} else {
		sound = screen.Fold("none: "+v.why.Error(), pageColumns-len("sound    "))
		sound = strings.ReplaceAll(sound, "\n  ", "\n         ")
	}
	_, err := fmt.Fprintf(w, "tapload %s\ncommit   %s\nbuilt    with %s for %s\nsound    %s\n", v.Version, v.Commit, v.Go, v.System, sound)
	return err
}

// withLibrary is v with the sound-card library, which is loaded for it.
func (v version) withLibrary() version {
	l, err := portaudio.About()
	if err != nil {
		v.why = err
		return v
	}
	v.Library, v.Interfaces = &l.Version, l.Interfaces
	return v
}

func readVersion() version {
	v := version{Version: "unknown", Commit: "unknown", Go: runtime.Version(), System: runtime.GOOS + "/" + runtime.GOARCH, Interfaces: []string{}}
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return v
	}
	v.Version = info.Main.Version
	set := buildSettings()
	v.Commit = cmp.Or(set["vcs.revision"], v.Commit)
	if set["vcs.modified"] == "true" {
		v.Commit += ", changed since"
	}
	return v
}

// buildSettings are those that the program was built with, as the go tool names
// them.
func buildSettings() map[string]string {
	set := map[string]string{}
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			set[s.Key] = s.Value
		}
	}
	return set
}

package main

import (
	"cmp"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"

	"github.com/spf13/cobra"
)

func newVersion(e env) *cobra.Command {
	var asJSON bool
	c := &cobra.Command{
		Use:   "version",
		Short: "Print the version",
		Long: `Print the version, the commit that it was built from, and with what it was
built for which system.`,
		Example: `  tapload version
  tapload version --json`,
		RunE: func(*cobra.Command, []string) error {
			v := readVersion()
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
}

func (v version) print(w io.Writer) error {
	_, err := fmt.Fprintf(w, "tapload %s\ncommit   %s\nbuilt    with %s for %s\n", v.Version, v.Commit, v.Go, v.System)
	return err
}

func readVersion() version {
	v := version{Version: "unknown", Commit: "unknown", Go: runtime.Version(), System: runtime.GOOS + "/" + runtime.GOARCH}
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

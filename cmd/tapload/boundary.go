package main

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/job"
	"tapload/measure/oneline"
)

// wordFlags are the flags of words that end up in files and on pages.
var wordFlags = []string{"label", "name", "by", "note", "why", "serial", "reference", "asked", "shop", "address"}

// guard refuses, before c does anything, names and notes that are not to be kept,
// and to write a result over what a job is made of, or out of a job's folder through
// a link in it.
func guard(c *cobra.Command) {
	check := c.PreRunE
	c.PreRunE = func(c *cobra.Command, args []string) error {
		var err error
		c.Flags().Visit(func(f *pflag.Flag) {
			if slices.Contains(wordFlags, f.Name) {
				if wrong := oneline.Check(f.Value.String()); wrong != nil && err == nil {
					err = usage(c, fmt.Errorf("--%s %w", f.Name, wrong))
				}
				return
			}
			if value, _ := pflag.UnquoteUsage(f); value == "folder" || f.Name != "output" && f.Name != "draw" && f.Name != "plot" && !strings.HasSuffix(f.Name, "-plot") {
				return
			}
			paths := []string{f.Value.String()}
			if all, is := f.Value.(pflag.SliceValue); is {
				paths = all.GetSlice()
			}
			for _, path := range paths {
				err = cmp.Or(err, guarded(c, f.Name, path))
			}
		})
		if err != nil || check == nil {
			return err
		}
		return check(c, args)
	}
}

// guarded holds a file that a flag names to be no part of any job that it could
// be of.
func guarded(c *cobra.Command, flag, path string) error {
	if path == "" || path == "-" {
		return nil
	}
	if err := oneline.Plain(path); err != nil {
		return usage(c, fmt.Errorf("--%s: the name of the file %w", flag, err))
	}
	folder := filepath.Dir(path)
	var jobs []*job.Job
	if j, err := jobOf(c); err == nil && j != nil {
		jobs = append(jobs, j)
	}
	for _, folder := range []string{folder, filepath.Join(folder, "..")} {
		if j, err := job.Read(folder); err == nil {
			jobs = append(jobs, &j)
		}
	}
	for _, j := range jobs {
		// A sweep keeps what it replaces, and a jig file is extended.
		if in := (&jobEdit{of: j}).inside(path); flag == "output" && in != "" && (c.Name() == "sweep" && j.Named(in) != "" || c.HasParent() && c.Parent().Name() == "jig" && in == j.Jig) {
			continue
		}
		if err := result(j, path); err != nil {
			return err
		}
	}
	return nil
}

// result returns an error where path, at which a result is to be written, is one of
// the files that j is made of, or is reached through a link out of its folder.
func result(j *job.Job, path string) error {
	if in, err := filepath.Rel(absolute(j.Folder), absolute(path)); err == nil && filepath.IsLocal(in) {
		if err := job.Inside(j.Folder, in); err != nil {
			return fmt.Errorf("cannot write %s: %w", path, err)
		}
	}
	there, err := os.Stat(path)
	if err != nil {
		return nil // nothing is there that could be lost
	}
	i := slices.IndexFunc(j.Inputs(), func(name string) bool {
		input, err := os.Stat(j.Path(name))
		return err == nil && os.SameFile(there, input)
	})
	if i >= 0 {
		return fmt.Errorf("cannot write %s: %s is made of it; name another file", path, jobPath(j))
	}
	return nil
}

// absolute is path from the root on; itself where the system does not know the
// current folder.
func absolute(path string) string {
	if whole, err := filepath.Abs(path); err == nil {
		return whole
	}
	return path
}

package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/lock"
	"tapload/fit/identify"
	"tapload/fixtures/job"
	"tapload/measure/exactjson"
	"tapload/measure/infile"
	"tapload/measure/oneline"
)

// jobEdit is a job that is changed: its text, and the files that come into its
// folder with that.
type jobEdit struct {
	job.File
	of     *job.Job
	copies []copied
}

// copied is a file that comes into the folder, and what is in it.
type copied struct {
	file
	data []byte
	did  string // what is said of it
}

// change is what is done to a job: the verb, as it is said afterwards and where it
// failed.
type change struct{ did, todo string }

var (
	added    = change{"added    ", "add"}
	replaced = change{"replaced ", "replace"}
	removed  = change{"removed  ", "remove"}
	renamed  = change{"renamed  ", "rename"}
)

// changing does one change of the job of a command, which nobody else changes
// meanwhile. fill makes it in the text and says what it is of.
func changing(e env, c *cobra.Command, how change, fill func(d *jobEdit) (of string, err error)) error {
	j, err := theJob(c)
	if err != nil {
		return err
	}
	return locked(c.Context(), jobPath(j), func() error {
		d, err := editJob(j.Folder)
		if err != nil {
			return err
		}
		of, err := fill(d)
		if err != nil {
			return err
		}
		if err := d.write(e, how, of); err != nil {
			return err
		}
		d.say(e, how, of)
		return nil
	})
}

// locked does what reads, changes and writes a file, while nobody else does.
func locked(ctx context.Context, path string, do func() error) (err error) {
	l, err := lock.Take(ctx, path)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, l.Release()) }()
	return do()
}

// editJob reads the job of a folder, which must be locked, to be changed.
func editJob(folder string) (*jobEdit, error) {
	j, err := job.Read(folder)
	if err != nil {
		return nil, err
	}
	text, err := job.Text(folder)
	if err != nil {
		return nil, err
	}
	return &jobEdit{File: job.Edit(j.Folder, text), of: &j}, nil
}

// inside returns the name of a file within the folder; "" for one outside.
func (d *jobEdit) inside(path string) string {
	if in, err := filepath.Rel(fileKey(d.of.Folder), fileKey(path)); err == nil && filepath.IsLocal(in) {
		return filepath.ToSlash(in)
	}
	return ""
}

// bring returns the name of a file inside the folder, and has it copied there
// where it is outside; data is what is in it.
func (d *jobEdit) bring(path string, data []byte) (string, error) {
	if in := d.inside(path); in != "" {
		return in, nil
	}
	name := filepath.Base(path)
	same, taken, err := d.there(name, data)
	switch {
	case err != nil:
		return "", err
	case taken && !same:
		return "", fmt.Errorf("%s would be copied to %s, where another file is; rename one of them", path, d.of.Path(name))
	case !taken:
		d.put(name, data, "copied   ")
	}
	return name, nil
}

// there says whether the folder has, or will have, a file of that name, and whether
// it is the same.
func (d *jobEdit) there(name string, data []byte) (same, taken bool, err error) {
	place := d.of.Path(name)
	for _, f := range d.copies {
		if f.Path == place {
			return bytes.Equal(f.data, data), true, nil
		}
	}
	if err := job.Inside(d.of.Folder, name); err != nil {
		return false, false, fmt.Errorf("cannot write %s: %w", place, err)
	}
	found, err := infile.ReadFile(place, exactjson.MostBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return false, false, nil
	}
	if err != nil {
		return false, false, fmt.Errorf("cannot read %s: %w", place, plainPath(err))
	}
	return bytes.Equal(found, data), true, nil
}

// put has a file written into the folder.
func (d *jobEdit) put(name string, data []byte, did string) {
	d.copies = append(d.copies, copied{inJob(d.of, name, data), data, did})
}

// inJob is a file of that text in a job's folder, or in a folder of that which is
// made for it, and never outside through a link.
func inJob(j *job.Job, name string, text []byte) file {
	f, folder := whole(j.Path(name), text), j.Folder
	f.Force, f.Makes = false, true
	f.May = func() error { return job.Inside(folder, name) }
	return f
}

// keep returns the name under which a measurement stays in the job's folder for
// ever, and has it written there.
func (d *jobEdit) keep(label string, taken time.Time, suffix string, data []byte, did string) (string, error) {
	for n := 1; ; n++ {
		name := job.NameOf(label, taken, n, suffix)
		same, there, err := d.there(name, data)
		if err != nil {
			return "", err
		}
		if !there {
			d.put(name, data, did)
		}
		if !there || same {
			return name, nil
		}
	}
}

// bringRecord returns the name of a record inside the folder, or of a fit where
// that will do, and has it kept there under a label where it is outside.
func (d *jobEdit) bringRecord(path, label string, orFit bool) (string, error) {
	if path == "" {
		return "", nil
	}
	data, err := readFile(path)
	if err != nil {
		return "", err
	}
	if identify.IsKept(data) && !orFit {
		return "", fmt.Errorf("%s is a fit, which has no noise of its own; name the record that it was made from", path)
	}
	taken, suffix, err := whenTaken(path, data)
	if err != nil {
		return "", err
	}
	if in := d.inside(path); in != "" {
		return in, nil
	}
	return d.keep(label, taken, suffix, data, "copied   ")
}

// whenTaken returns when a record or a fit was made, and how the name of such a
// file ends.
func whenTaken(path string, data []byte) (taken time.Time, suffix string, err error) {
	suffix = ".json"
	if identify.IsKept(data) {
		if _, err := identify.ReadKept(bytes.NewReader(data), path); err != nil {
			return taken, "", fmt.Errorf("cannot read %s: %w", path, err)
		}
	} else {
		rec, err := decodeRecord(path, data)
		if err != nil {
			return taken, "", err
		}
		taken, suffix = rec.Taken, recordSuffix
	}
	if taken.IsZero() {
		info, err := os.Stat(path)
		if err != nil {
			return taken, "", fmt.Errorf("cannot read %s: %w", path, plainPath(err))
		}
		taken = info.ModTime()
	}
	return taken, suffix, nil
}

// keepOld has a measurement that leaves the job's entries kept, where another
// sweep could otherwise replace it.
func (d *jobEdit) keepOld(file, label string) error {
	if file == "" || strings.HasPrefix(file, job.Records+"/") {
		return nil
	}
	path := d.of.Path(file)
	data, err := readFile(path)
	if err != nil {
		return err
	}
	taken, suffix, err := whenTaken(path, data)
	if err != nil {
		return err
	}
	_, err = d.keep(label, taken, suffix, data, "kept     ")
	return err
}

// write brings the copies and then the text to disk, all or nothing. Only then
// are the files there for job.toml to be checked, so a job that is wrong takes
// its copies back.
func (d *jobEdit) write(e env, how change, of string) error {
	if err := job.Inside(d.of.Folder, job.FileName); err != nil {
		return fmt.Errorf("cannot write %s: %w", jobPath(d.of), err)
	}
	var brought []file
	for _, f := range d.copies {
		brought = append(brought, f.file)
		if folder := filepath.Dir(f.Path); !exists(folder) {
			defer os.Remove(folder) // which fails where something is in it
		}
	}
	if err := e.save(brought...); err != nil {
		return err
	}
	_, err := d.Check()
	if err == nil {
		err = e.save(whole(jobPath(d.of), d.Text()))
	}
	if err != nil {
		// The job was right before, so that lines of a text that is not
		// kept would say less than what was to be done.
		if w, is := errors.AsType[*job.Wrong](err); is {
			const most = 80
			err = fmt.Errorf("cannot %s %s: %s", how.todo, oneline.Cut(of, most), w.Fault)
		}
		for _, f := range d.copies {
			if gone := os.Remove(f.Path); gone != nil {
				err = fmt.Errorf("%w; %s is there all the same: %w", err, f.Path, plainPath(gone))
				continue
			}
			e.written.drop(f.Path)
		}
	}
	return err
}

// say tells what was done.
func (d *jobEdit) say(e env, how change, of string) {
	to := " to "
	if how != added {
		to = " in "
	}
	e.tell(how.did + of + to + jobPath(d.of))
	for _, f := range d.copies {
		e.tell(f.did + f.Path)
	}
}

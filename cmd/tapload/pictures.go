package main

import (
	"errors"
	"fmt"
	"io"

	"github.com/spf13/pflag"

	"tapload/plot"
)

// chart is what a picture shows.
type chart = plot.Drawable

// picture is a chart that a flag asks for; without a path it does not.
type picture struct{ flag, path string }

// alsoPlot lets --plot name the picture that a flag of another name asks for, so
// that one name does in every command.
func alsoPlot(f *pflag.FlagSet, old string) {
	was := f.Lookup(old)
	was.Value = &namedOnce{Value: was.Value}
	f.Var(was.Value, "plot", "picture `file`: the same as --"+old+", by the name that every command takes")
}

// namedOnce is a file that two flags name, of which only one may be given.
type namedOnce struct {
	pflag.Value
	named bool
}

func (n *namedOnce) Set(s string) error {
	if n.named {
		return errors.New("is a second file for one picture; name it once")
	}
	n.named = true
	return n.Value.Set(s)
}

// pictures are those of a command line.
type pictures []picture

// asked returns the pictures that have a path.
func asked(all ...picture) pictures {
	var p pictures
	for _, one := range all {
		if one.path != "" {
			p = append(p, one)
		}
	}
	return p
}

// check returns an error that names a flag whose file is of no picture format,
// or is the file of another flag.
func (p pictures) check() error {
	for i, one := range p {
		if _, err := plot.ParseFormat(one.path); err != nil {
			return fmt.Errorf("%s: %w", one.flag, err)
		}
		for _, other := range p[:i] {
			if other.path == one.path {
				return fmt.Errorf("%s and %s are both %s; name two files", other.flag, one.flag, one.path)
			}
		}
	}
	return nil
}

// place returns an error where a picture could not be written, before there is
// the work of making it.
func (p pictures) place() error {
	for _, one := range p {
		if err := (file{Path: one.path, Force: true}).Check(); err != nil {
			return err
		}
	}
	return nil
}

// write writes the chart of each flag, all or none.
func (p pictures) write(e env, of func(flag string) (chart, error)) error {
	files, err := p.files(of)
	if err != nil {
		return err
	}
	return e.save(files...)
}

// files are those that write writes, for a command that has others with them.
func (p pictures) files(of func(flag string) (chart, error)) ([]file, error) {
	var files []file
	for _, one := range p {
		c, err := of(one.flag)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", one.flag, err)
		}
		format, err := plot.ParseFormat(one.path)
		if err != nil {
			return nil, err
		}
		files = append(files, file{Path: one.path, Force: true, Write: func(w io.Writer) error { return plot.Write(w, format, c) }})
	}
	return files, nil
}

// draw writes a chart for a command that does nothing else.
func (e env) draw(c chart, p pictures) error {
	files, err := p.files(func(string) (chart, error) { return c, nil })
	if err != nil {
		return err
	}
	return e.write(files...)
}

package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"strings"

	"tapload/fit/identify"
	"tapload/measure/exactjson"
	"tapload/measure/infile"
	"tapload/measure/oneline"
	"tapload/measure/record"
)

// load is a measured load as a command line names it: "name=file", or a file
// alone, which is named by its label.
type load struct {
	name   string
	record record.Record
}

func readLoad(arg string) (load, error) {
	name, path, named := strings.Cut(arg, "=")
	if !named {
		name, path = "", arg
	} else if name == "" {
		return load{}, fmt.Errorf("%s: there is no name before the =", oneline.Quote(arg))
	}
	rec, err := readRecord(path)
	if err != nil {
		return load{}, err
	}
	if name == "" {
		name = rec.Label
	}
	return load{name, rec}, nil
}

func readRecord(path string) (record.Record, error) { return read(path, noRecord(path), record.Read) }

func noRecord(path string) error {
	if path == "" {
		return errors.New("a record is named by nothing; name its file")
	}
	return fmt.Errorf("there is no record %s; \"tapload sweep\" makes one", path)
}

// read reads the file at path. The error is none if there is none.
func read[T any](path string, none error, decode func(io.Reader) (T, error)) (v T, err error) {
	f, err := infile.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return v, none
	}
	if err == nil {
		defer f.Close()
		v, err = decode(f)
	}
	if err != nil {
		return v, fmt.Errorf("cannot read %s: %w", path, plainPath(err))
	}
	return v, nil
}

// measured reads a record and refuses a fit, which has no noise of its own;
// what names who needs the record.
func measured(path, what string) (record.Record, error) {
	data, err := readFile(path)
	if err != nil {
		return record.Record{}, err
	}
	return identify.Unfitted(path, data, what)
}

func decodeRecord(path string, data []byte) (record.Record, error) {
	rec, err := record.Read(bytes.NewReader(data))
	if err != nil {
		return record.Record{}, fmt.Errorf("cannot read %s: %w", path, plainPath(err))
	}
	return rec, nil
}

func readFile(path string) ([]byte, error) {
	return read(path, noRecord(path), func(r io.Reader) ([]byte, error) { return infile.Read(r, exactjson.MostBytes) })
}

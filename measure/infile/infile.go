// Package infile reads files that people name: ordinary ones, and no more of them
// than a file of that kind can have. A pipe would be waited for without end, and a
// device may never end.
package infile

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// Open opens an ordinary file, of which it refuses folders, pipes and devices
// before they are opened. Errors are of type *fs.PathError.
func Open(path string) (*os.File, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if err := Ordinary(info); err != nil {
		return nil, &fs.PathError{Op: "open", Path: path, Err: err}
	}
	return os.Open(path)
}

// Ordinary returns what is wrong with a file that is no ordinary one.
func Ordinary(info fs.FileInfo) error {
	switch {
	case info.IsDir():
		return errors.New("it is a folder; name a file in it")
	case !info.Mode().IsRegular():
		return errors.New("it is not an ordinary file; copy what is in it to one")
	}
	return nil
}

// ReadFile reads an ordinary file of at most so many bytes.
func ReadFile(path string, most int) ([]byte, error) {
	f, err := Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := Read(f, most)
	if err != nil {
		return nil, &fs.PathError{Op: "read", Path: path, Err: err}
	}
	return data, nil
}

// Read reads all of r, which may have so many bytes.
func Read(r io.Reader, most int) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(r, int64(most)+1))
	if err != nil {
		return nil, err
	}
	if len(data) > most {
		return nil, fmt.Errorf("it has more than %s; that is none of the program's files", size(most))
	}
	return data, nil
}

func size(n int) string {
	if n < 1<<20 {
		return fmt.Sprintf("%d bytes", n)
	}
	return fmt.Sprintf("%d MB", n>>20)
}

// Unmarked returns text without the mark that some editors of Windows put before
// it.
func Unmarked(text []byte) []byte { return bytes.TrimPrefix(text, []byte("\ufeff")) }

// Narrow returns an error for a text in UTF-16, in which editors and spreadsheets
// of Windows save what they call Unicode. Errors are whole sentences.
func Narrow(text []byte) error {
	wide := bytes.HasPrefix(text, []byte("\xff\xfe")) || bytes.HasPrefix(text, []byte("\xfe\xff"))
	if len(text) >= 4 { // without a mark: letters beside zeros
		wide = wide || text[0] != 0 && text[1] == 0 && text[2] != 0 && text[3] == 0 || text[0] == 0 && text[1] != 0 && text[2] == 0 && text[3] != 0
	}
	if wide {
		return errors.New("the text is saved as UTF-16, which some programs call Unicode; save it as UTF-8")
	}
	return nil
}

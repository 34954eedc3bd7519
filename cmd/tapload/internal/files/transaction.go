package files

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// transaction gives names to temporary files, and takes all of it back where one
// does not get its name.
type transaction struct {
	disk
	temps []string
	moves []move
}

// move is a temporary file and the name it gets.
type move struct {
	temp, to string
	held     string // another name of what was there; "" where nothing was
	of       File
}

// all writes all files or none. Whenever the program dies, each file's name is that
// of the whole old file or the whole new one; of several some may be new and some old
// then, in the order of files, for no system renames two at once.
func (d disk) all(files []File) (kept []Kept, err error) {
	t := &transaction{disk: d}
	defer func() { err = t.end(err) }()
	var keeps, news []move
	var folders []string
	for _, f := range files {
		p, err := find(f)
		if err != nil {
			return nil, err
		}
		if slices.ContainsFunc(news, func(m move) bool { return same(m.to, p.real) }) {
			return nil, fmt.Errorf("cannot write %s: another result goes there too; name two files", f.Path)
		}
		temp, err := t.fill(p.folder(), p.earlier, f.Write)
		if temp != "" {
			t.temps = append(t.temps, temp)
		}
		if err != nil {
			return nil, f.failed(err)
		}
		news = append(news, move{temp: temp, to: p.real, of: f})
		if !slices.Contains(folders, p.folder()) {
			folders = append(folders, p.folder())
		}
		if p.keep == "" {
			continue
		}
		twin, err := t.hold(p.real)
		if err != nil {
			return nil, fmt.Errorf("cannot keep the earlier %s: %w", f.Path, Plain(err))
		}
		keeps = append(keeps, move{temp: twin, to: p.keep, of: f})
		kept = append(kept, Kept{f.Path, p.keep})
	}
	// Whatever may take its time or fail comes before the first name is given.
	for _, moves := range [][]move{keeps, news} {
		for i, m := range moves {
			if moves[i].held, err = t.hold(m.to); err != nil {
				return nil, m.of.failed(err)
			}
		}
	}
	// The earlier files are safe before anything takes their names.
	for _, moves := range [][]move{keeps, news} {
		for _, m := range moves {
			if err := t.move(m); err != nil {
				return nil, m.of.failed(err)
			}
		}
		for _, folder := range folders {
			if len(moves) == 0 {
				break
			}
			if err := t.syncFolder(folder); err != nil {
				return nil, moves[0].of.failed(err)
			}
		}
	}
	for _, folder := range folders {
		sweep(folder)
	}
	return kept, nil
}

func (t *transaction) move(m move) error {
	if err := t.rename(m.temp, m.to); err != nil {
		return err
	}
	t.moves = append(t.moves, m)
	return nil
}

// hold gives a file a second name, that of a temporary file; "" where there is none.
func (t *transaction) hold(path string) (string, error) {
	info, err := os.Lstat(path)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	name := tempName(filepath.Dir(path))
	if t.link(path, name) != nil {
		// A file system without links: a copy does as well.
		if name, err = t.copy(path, info); err != nil {
			return "", err
		}
		return name, nil
	}
	t.temps = append(t.temps, name)
	return name, nil
}

func (t *transaction) copy(path string, info fs.FileInfo) (string, error) {
	r, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer r.Close()
	name, err := t.fill(filepath.Dir(path), info, func(w io.Writer) error {
		_, err := io.Copy(w, r)
		return err
	})
	if name != "" {
		t.temps = append(t.temps, name)
	}
	if err == nil {
		_ = os.Chtimes(name, info.ModTime(), info.ModTime()) // when it was measured, for what does not say so itself
	}
	return name, err
}

// end takes back what was done where err says that not all was, and takes the
// temporary files away. Those that stay are swept up by a later run.
func (t *transaction) end(err error) error {
	if err != nil {
		for _, m := range slices.Backward(t.moves) {
			undo := func() error { return t.rename(m.held, m.to) }
			if m.held == "" {
				undo = func() error { return t.remove(m.to) }
			}
			if undone := undo(); undone != nil {
				err = fmt.Errorf("%w; %s is there all the same, for it could not be taken back: %w", err, m.to, Plain(undone))
			}
		}
	}
	for _, name := range t.temps {
		_ = t.remove(name)
	}
	return err
}

// same says whether two paths, of files that need not be there, are one.
func same(a, b string) bool {
	fullA, errA := filepath.Abs(a)
	fullB, errB := filepath.Abs(b)
	return errA == nil && errB == nil && fullA == fullB
}

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
	made  []string // folders
}

// move is a temporary file and the name it gets.
type move struct {
	temp, to string
	held     string // another name of what was there; "" where nothing was
	of       File
	keeps    bool        // it is an earlier file that gets its second name
	earlier  fs.FileInfo // what was to be replaced when the file was made; nil for nothing
}

// errMeanwhile is the error of a name that another program gave to a file of its own
// meanwhile.
var errMeanwhile = errors.New("another program writes it at the same time; name another file")

// all writes all files or none. Whenever the program dies, each file's name is that
// of the whole old file or the whole new one; of several some may be new and some old
// then, in the order of files, for no system renames two at once. What another program
// writes there meanwhile is an earlier file like any.
func (d disk) all(files []File) ([]Kept, error) {
	const most = 10 // programs that write one file
	for n := 1; ; n++ {
		kept, err := d.once(files)
		if n == most || !errors.Is(err, errMeanwhile) {
			return kept, err
		}
	}
}

func (d disk) once(files []File) (kept []Kept, err error) {
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
		temp, err := t.place(p)
		if err != nil {
			return nil, f.failed(err)
		}
		news = append(news, move{temp: temp, to: p.real, of: f, earlier: p.earlier})
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
		keeps = append(keeps, move{temp: twin, to: p.keep, of: f, keeps: true})
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
	for _, folder := range t.made {
		folders = append(folders, filepath.Dir(folder))
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

// place makes the temporary file of p, in a folder that is made where p asks for that.
func (t *transaction) place(p place) (temp string, err error) {
	const most = 10 // times that another takes away the folder, which is empty
	for n := 1; ; n++ {
		if p.Makes {
			switch err := t.mkdir(p.folder()); {
			case err == nil:
				t.made = append(t.made, p.folder())
			case !errors.Is(err, fs.ErrExist):
				return "", err
			}
		}
		temp, err = t.fill(p.folder(), p.earlier, p.Write)
		if temp != "" {
			t.temps = append(t.temps, temp)
		}
		if n == most || !p.Makes || temp != "" || !errors.Is(err, fs.ErrNotExist) {
			return temp, err
		}
	}
}

// move gives a temporary file its name. What another program put there after this one
// had looked is not replaced, unless that was asked for: then the error is
// errMeanwhile, or fs.ErrExist for a file that had to be new.
func (t *transaction) move(m move) error {
	meanwhile := errMeanwhile
	if m.of.New {
		meanwhile = errThere{}
	}
	switch {
	case m.keeps || m.of.Force && !m.of.New:
	case m.earlier != nil:
		if now, err := os.Lstat(m.to); err != nil || !unchanged(now, m.earlier) {
			return meanwhile
		}
	default:
		err := t.claim(m.temp, m.to)
		if err == nil {
			t.moves = append(t.moves, m)
			return nil
		}
		// Where no file can have two names, to look first is all there is.
		if errors.Is(err, fs.ErrExist) || Exists(m.to) {
			return meanwhile
		}
	}
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
	r, err := t.open(path)
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
	if err != nil {
		for _, folder := range t.made {
			_ = t.remove(folder) // which fails where something is in it
		}
	}
	return err
}

// unchanged says whether a file is what it was: the number of one that was taken away
// may be that of the next.
func unchanged(now, was fs.FileInfo) bool {
	return os.SameFile(now, was) && now.ModTime().Equal(was.ModTime()) && now.Size() == was.Size()
}

// same says whether two paths, of files that need not be there, are one.
func same(a, b string) bool {
	folderA, errA := os.Stat(filepath.Dir(a))
	folderB, errB := os.Stat(filepath.Dir(b))
	if errA == nil && errB == nil {
		return filepath.Base(a) == filepath.Base(b) && os.SameFile(folderA, folderB)
	}
	fullA, errA := filepath.Abs(a)
	fullB, errB := filepath.Abs(b)
	return errA == nil && errB == nil && fullA == fullB
}

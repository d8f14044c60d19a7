package taskdata

import (
	"archive/zip"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strings"

	"rigledger/api/exchange/xmlguard"
)

var (
	// ErrRefused says that the upload as a whole is past a bound, unsafe or damaged.
	ErrRefused = errors.New("task data refused")
	// ErrNotTaskData says that no readable TASKDATA.XML was found.
	ErrNotTaskData = errors.New("not task data")
	// ErrZone says that local times have to be read and no zone was given.
	ErrZone = errors.New("no time zone given for local times")
)

// Limits bound what is read. Zero fields take those of DefaultLimits.
type Limits struct {
	Entries    int   // files and folders
	EntryBytes int64 // one file, unpacked
	TotalBytes int64 // all files read, unpacked; for a zip also all it declares
	Ratio      int64 // unpacked to packed size of a zip entry above a mebibyte
	Records    int64 // records of all logs
	XML        xmlguard.Bounds
}

// DefaultLimits are house figures: a busy season's export stays well inside.
var DefaultLimits = Limits{Entries: 4096, EntryBytes: 64 << 20, TotalBytes: 256 << 20, Ratio: 200, Records: 5_000_000, XML: xmlguard.Usual}

func (l Limits) filled() Limits {
	d := DefaultLimits
	if l.Entries > 0 {
		d.Entries = l.Entries
	}
	if l.EntryBytes > 0 {
		d.EntryBytes = l.EntryBytes
	}
	if l.TotalBytes > 0 {
		d.TotalBytes = l.TotalBytes
	}
	if l.Ratio > 0 {
		d.Ratio = l.Ratio
	}
	if l.Records > 0 {
		d.Records = l.Records
	}
	if l.XML != (xmlguard.Bounds{}) {
		d.XML = l.XML
	}
	return d
}

// folder is the folder that TASKDATA.XML lies in, its files by lower-case name.
type folder struct {
	open  func(name string) (io.ReadCloser, error)
	files map[string]string // lower-case base name → path
	twice map[string]bool   // names that differ in case only
	lim   Limits
	read  int64
}

// errMissing says that a file named in the task data is not there.
var errMissing = errors.New("file is missing")

// bytes reads a file whole, within the limits.
func (f *folder) bytes(name string) ([]byte, error) {
	low := strings.ToLower(name)
	if f.twice[low] {
		return nil, fmt.Errorf("%s: two files whose names differ in case only: %w", name, ErrRefused)
	}
	full, ok := f.files[low]
	if !ok {
		return nil, fmt.Errorf("%s: %w", name, errMissing)
	}
	in, err := f.open(full)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w (%w)", full, err, ErrRefused)
	}
	defer in.Close()
	room := min(f.lim.EntryBytes, f.lim.TotalBytes-f.read)
	b, err := io.ReadAll(io.LimitReader(in, room+1))
	if int64(len(b)) > room {
		return nil, fmt.Errorf("%s: more than %d bytes unpacked: %w", full, room, ErrRefused)
	}
	f.read += int64(len(b))
	if err != nil {
		return nil, fmt.Errorf("read %s: %w (%w)", full, err, ErrRefused) // damaged on its way
	}
	return b, nil
}

// gather finds the one TASKDATA.XML among paths and the files beside it.
func gather(paths []string, lim Limits) (*folder, error) {
	var found []string
	for _, p := range paths {
		if strings.EqualFold(path.Base(p), "TASKDATA.XML") {
			found = append(found, p)
		}
	}
	switch {
	case len(found) == 0:
		return nil, fmt.Errorf("no TASKDATA.XML in it: %w", ErrNotTaskData)
	case len(found) > 1:
		return nil, fmt.Errorf("%d files TASKDATA.XML in it (%s, %s …): bring them one at a time: %w", len(found), found[0], found[1], ErrRefused)
	}
	f := &folder{files: map[string]string{}, twice: map[string]bool{}, lim: lim}
	dir := path.Dir(found[0])
	for _, p := range paths {
		if path.Dir(p) != dir {
			continue
		}
		low := strings.ToLower(path.Base(p))
		if _, ok := f.files[low]; ok {
			f.twice[low] = true
		}
		f.files[low] = p
	}
	return f, nil
}

// ofFS is the folder of an fs.FS. Only regular files count: links are not followed.
func ofFS(fsys fs.FS, lim Limits) (*folder, error) {
	var paths []string
	seen := 0
	err := fs.WalkDir(fsys, ".", func(p string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if seen++; seen > lim.Entries {
			return fmt.Errorf("more than %d files: %w", lim.Entries, ErrRefused)
		}
		if d.IsDir() && strings.Count(p, "/") > 4 {
			return fs.SkipDir
		}
		if d.Type().IsRegular() {
			paths = append(paths, p)
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("look through the folder: %w", err)
	}
	f, err := gather(paths, lim)
	if err != nil {
		return nil, err
	}
	f.open = func(name string) (io.ReadCloser, error) { return fsys.Open(name) }
	return f, nil
}

// ofZip is the folder in a zip. The directory of the zip is judged before anything is unpacked; since it may
// lie, the bytes that come out are counted too.
func ofZip(r io.ReaderAt, size int64, lim Limits) (*folder, error) {
	z, err := zip.NewReader(r, size)
	if err != nil && !errors.Is(err, zip.ErrInsecurePath) {
		return nil, fmt.Errorf("not a readable zip (%v): %w", err, ErrNotTaskData)
	}
	if len(z.File) > lim.Entries {
		return nil, fmt.Errorf("zip holds %d entries, at most %d are read: %w", len(z.File), lim.Entries, ErrRefused)
	}
	var paths []string
	byPath := map[string]*zip.File{}
	var declared uint64
	for _, e := range z.File {
		name := strings.ReplaceAll(e.Name, `\`, "/") // some packers write the other slash
		name = strings.TrimPrefix(name, "./")
		if name == "" {
			continue // the folder itself
		}
		clean := strings.TrimSuffix(name, "/")
		if !fs.ValidPath(clean) || strings.ContainsRune(clean, ':') {
			return nil, fmt.Errorf("zip entry %q climbs out of its folder or is not a path: %w", e.Name, ErrRefused)
		}
		if strings.HasSuffix(name, "/") {
			continue
		}
		if !e.Mode().IsRegular() {
			return nil, fmt.Errorf("zip entry %q is a link or device: %w", e.Name, ErrRefused)
		}
		if e.Flags&1 != 0 {
			return nil, fmt.Errorf("zip entry %q is encrypted: %w", e.Name, ErrRefused)
		}
		if e.UncompressedSize64 > uint64(lim.EntryBytes) {
			return nil, fmt.Errorf("zip entry %q unpacks to %d bytes, at most %d are read: %w", e.Name, e.UncompressedSize64, lim.EntryBytes, ErrRefused)
		}
		if declared += e.UncompressedSize64; declared > uint64(lim.TotalBytes) {
			return nil, fmt.Errorf("zip unpacks to more than %d bytes: %w", lim.TotalBytes, ErrRefused)
		}
		if e.UncompressedSize64 > 1<<20 && e.UncompressedSize64/max(e.CompressedSize64, 1) > uint64(lim.Ratio) {
			return nil, fmt.Errorf("zip entry %q is packed more than %d to 1: %w", e.Name, lim.Ratio, ErrRefused)
		}
		if _, ok := byPath[clean]; ok {
			return nil, fmt.Errorf("zip holds %q twice: %w", e.Name, ErrRefused)
		}
		byPath[clean] = e
		paths = append(paths, clean)
	}
	f, err := gather(paths, lim)
	if err != nil {
		return nil, err
	}
	f.open = func(name string) (io.ReadCloser, error) { return byPath[name].Open() }
	return f, nil
}

package fleet

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path"
	"strings"
	"unicode/utf8"

	"rigledger/events"
)

// fileTypes are the kinds of file that may be kept, told by their first bytes.
var fileTypes = []struct{ magic, media string }{
	{"%PDF-", "application/pdf"},
	{"\x89PNG\r\n\x1a\n", "image/png"},
	{"\xff\xd8\xff", "image/jpeg"},
}

const plainText = "text/plain"

// sniff tells a file's media type from its content alone; "" for any other.
func sniff(content []byte) string {
	for _, t := range fileTypes {
		if bytes.HasPrefix(content, []byte(t.magic)) {
			return t.media
		}
	}
	if len(content) == 0 || !utf8.Valid(content) {
		return ""
	}
	for _, b := range content {
		if b < ' ' && b != '\n' && b != '\r' && b != '\t' || b == 0x7f {
			return ""
		}
	}
	return plainText
}

// KeepFile puts a file into the ledger: PDF, PNG, JPEG or plain text of at most
// events.MaxFileBytes. The same bytes are kept once; and once more for somebody
// who sees nothing of the first time, so that he is not told of it.
type KeepFile struct {
	Name  string
	Bytes []byte

	// Sees says whether the asker may know of a file; nil for any. It is asked at the
	// desk: somebody else may send the same bytes while these are on their way.
	Sees func(s *State, f *File) bool
}

// FileHash names a file: the hexadecimal SHA-256 of its bytes.
func FileHash(content []byte) string {
	sum := sha256.Sum256(content)
	return hex.EncodeToString(sum[:])
}

func (k *KeepFile) Touches() []string { return []string{"file:" + FileHash(k.Bytes)} }

func (k *KeepFile) Decide(d Deciding) ([]events.Entry, error) {
	var c check
	c.text("/name", k.Name, 200)
	if strings.ContainsAny(k.Name, "/\\\n\t\"") || path.Clean(k.Name) == ".." {
		c.fail("/name", "must be a file's name without folders or quotes")
	}
	media := sniff(k.Bytes)
	switch {
	case len(k.Bytes) == 0:
		c.fail("/file", "is empty")
	case len(k.Bytes) > events.MaxFileBytes:
		c.fail("/file", "is larger than %d bytes", events.MaxFileBytes)
	case media == "":
		c.fail("/file", "is neither PDF, PNG, JPEG nor plain text in UTF-8, by its content")
	}
	if err := c.err(); err != nil {
		return nil, err
	}
	hash := FileHash(k.Bytes)
	if f := d.Bay.Files[hash]; f != nil {
		if _, _, own := f.KeptBy(d.By); own || k.Sees == nil || k.Sees(d.State, f) {
			return nil, nil
		}
	}
	return []events.Entry{d.entry(&events.FileKept{File: hash, Name: k.Name, Type: media, Bytes: k.Bytes})}, nil
}

// Ref is what an Idempotency-Key remembers.
func (k *KeepFile) Ref(State) string { return FileHash(k.Bytes) }

// FileRef is a reference to a file: the field of the command, and the hash in it.
type FileRef struct{ Field, File string }

// FileRefs lists the files that a command refers to. The desk only looks whether
// they are there; who may refer to which is for the caller to decide before.
func FileRefs(cmd Command) []FileRef {
	var refs []FileRef
	add := func(field, hash string) {
		if hash != "" {
			refs = append(refs, FileRef{field, hash})
		}
	}
	switch c := cmd.(type) {
	case *FinishItem:
		for i, hash := range c.Files {
			add(fmt.Sprintf("/files/%d", i), hash)
		}
	case *JudgeInspection:
		add("/file", c.File)
	case *MakeCalibration:
		add("/file", c.File)
	case *IssueCertificate:
		add("/file", c.File)
	}
	return refs
}

// NoFile is the refusal of a reference to a file that is not there, or not for the caller.
func NoFile(field, hash string) error {
	var c check
	c.noFile(field, hash)
	return c.err()
}

func (c *check) noFile(field, hash string) {
	c.fail(field, "there is no file %q; send it first", hash)
}

// file checks a reference to a file that must be in the ledger.
func (d Deciding) file(c *check, field, hash string) {
	if hash != "" && d.Bay.Files[hash] == nil {
		c.noFile(field, hash)
	}
}

// errFound ends a reading at the commit that was looked for.
var errFound = errors.New("found")

// CommitAt reads one commit from the ledger, checked against its own hash.
func (f *Fleet) CommitAt(ctx context.Context, n uint64) (*events.Commit, error) {
	var found *events.Commit
	err := f.store.Read(ctx, n, func(c *events.Commit) error {
		if c.N == n {
			found = c
		}
		return errFound
	})
	switch {
	case err != nil && !errors.Is(err, errFound):
		return nil, &Error{Code: Down, Message: "the ledger cannot be read", Cause: fmt.Errorf("reading commit %d: %w", n, err)}
	case found == nil:
		return nil, fmt.Errorf("reading commit %d: it is not there", n)
	}
	return found, nil
}

// ReadFile reads a file's bytes back from the ledger.
func (f *Fleet) ReadFile(ctx context.Context, hash string) ([]byte, error) {
	var n uint64
	f.View(func(s *State) {
		if known := s.Bay.Files[hash]; known != nil {
			n = known.N
		}
	})
	if n == 0 {
		return nil, missing("file", hash)
	}
	c, err := f.CommitAt(ctx, n)
	if err != nil {
		return nil, &Error{Code: Down, Message: "the ledger cannot be read", Cause: err}
	}
	for _, e := range c.Facts {
		if kept, ok := e.Fact.(*events.FileKept); ok && kept.File == hash && FileHash(kept.Bytes) == hash {
			return kept.Bytes, nil
		}
	}
	return nil, &Error{Code: Down, Message: "the ledger cannot be read", Cause: fmt.Errorf("commit %d does not hold the file %s", n, hash)}
}

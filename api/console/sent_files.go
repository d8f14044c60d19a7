package console

import (
	"bytes"
	"encoding/json"
	"io"
	"mime/multipart"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"rigledger/fleet"
)

// filesTaken are the kinds of file that forms take, by their content, and what
// the browser is told of them.
var filesTaken = []string{"image/jpeg", "image/png", "application/pdf"}

// keepFiles puts the photos and files of a form on record and their hashes among
// what was typed, so that they stay with the form if something else in it is
// refused; false if one was not taken.
func (f *form) keepFiles() bool {
	if f.r.MultipartForm == nil {
		return true
	}
	all := true
	for name, files := range f.r.MultipartForm.File {
		for _, sent := range files {
			if sent.Size == 0 || !strings.HasPrefix(name, "f:/") {
				continue
			}
			hash := f.keepFile(name, sent)
			if hash == "" {
				all = false
				continue
			}
			f.kept[hash] = sent.Filename
			if !strings.HasSuffix(name, "/-") {
				f.typed[name] = nil // the new one takes the place of what was kept before
			}
			if !slices.Contains(f.typed[name], hash) {
				f.typed[name] = append(f.typed[name], hash)
			}
		}
	}
	return all
}

// keepFile gives the hash of a file that was put on record, "" if it was refused.
func (f *form) keepFile(field string, sent *multipart.FileHeader) string {
	content, err := sent.Open()
	if err != nil {
		f.refuse(http.StatusBadRequest, word("A file could not be read."))
		return ""
	}
	defer func() { _ = content.Close() }()
	head := make([]byte, 512)
	n, err := io.ReadFull(content, head)
	if err != nil && err != io.ErrUnexpectedEOF {
		f.refuse(http.StatusBadRequest, word("A file could not be read."))
		return ""
	}
	if head = head[:n]; !slices.Contains(filesTaken, http.DetectContentType(head)) {
		r := f.refuse(http.StatusUnprocessableEntity, word("Nothing was written yet. Look at this and send it again."))
		r.fields[field] = sent.Filename + ": " + word("only JPEG, PNG and PDF are taken here.")
		return ""
	}
	r, err := http.NewRequestWithContext(f.r.Context(), http.MethodPost, "/v1/files?name="+url.QueryEscape(sent.Filename), io.MultiReader(bytes.NewReader(head), content))
	if err != nil {
		f.refuse(http.StatusBadRequest, word("A file could not be read."))
		return ""
	}
	r.Header.Set("Content-Type", http.DetectContentType(head))
	if f.reply = f.ask(r); !f.reply.ok() {
		f.explain(map[string]string{"/file": field, "/name": field})
		if len(f.refused.fields) == 0 {
			f.refused.fields[field] = f.refused.whole
		}
		return ""
	}
	var kept struct{ File string }
	if err := json.Unmarshal(f.reply.body.Bytes(), &kept); err != nil || kept.File == "" {
		f.refuse(http.StatusBadGateway, word("A file was not kept."))
	}
	return kept.File
}

// keptBefore gives names to the files that an earlier sending of the form kept.
func (f *form) keptBefore() {
	for name, values := range f.typed {
		if strings.HasPrefix(name, "f:/") {
			f.typed[name] = slices.DeleteFunc(values, func(hash string) bool { return !keptHash.MatchString(hash) })
			for _, hash := range f.typed[name] {
				f.kept[hash] = f.nameOf(hash)
			}
		}
	}
}

// nameOf is the name that the person gave to a file, "" for one of somebody else.
func (f *form) nameOf(hash string) (name string) {
	f.fleet.View(func(s *fleet.State) {
		if kept := s.Bay.Files[hash]; kept != nil {
			name, _, _ = kept.KeptBy(f.who.Name)
		}
	})
	return name
}

package bay

import (
	"bytes"
	"errors"
	"io"
	"mime"
	"mime/multipart"
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/events"
	"rigledger/fleet"
)

type fileDoc struct {
	File     string    `json:"file"`
	Name     string    `json:"name"`
	Type     string    `json:"type"`
	Bytes    int       `json:"bytes"`
	Commit   uint64    `json:"commit"`
	Recorded time.Time `json:"recorded"`
	By       string    `json:"by"`
}

// FileBodyMost bounds the body of POST /v1/files: the file and a multipart frame.
const FileBodyMost = events.MaxFileBytes + 16<<10

// FilesPath is where files are sent; the bound of its bodies is its own.
const FilesPath = "/v1/files"

// fileTypes may be said of a raw body; what counts is its content.
var fileTypes = map[string]bool{
	"application/pdf": true, "image/png": true, "image/jpeg": true, "text/plain": true, "application/octet-stream": true,
}

// PostFile keeps a file: its bytes with ?name=, or multipart/form-data with one
// part named file.
func PostFile(c *call.Call) error {
	name, content, err := fileSent(c)
	if err != nil {
		return err
	}
	cmd := fleet.KeepFile{Name: name, Bytes: content, Sees: c.SeesFile}
	d, err := c.Do(&cmd, http.StatusCreated, nil)
	if err != nil {
		return err
	}
	hash := fleet.FileHash(content)
	if d.Replayed {
		hash = d.Ref
	}
	var doc fileDoc
	err = c.View(func(s *fleet.State) error {
		f := s.Bay.Files[hash]
		if f == nil {
			return call.NoSuch("file", hash)
		}
		name, kept := keptFor(c, f)
		doc = fileDoc{File: f.File, Name: name, Type: f.Type, Bytes: f.Size, Commit: kept.N, Recorded: kept.Recorded.UTC(), By: kept.By}
		return nil
	})
	if err != nil {
		return err
	}
	c.SetHeader("Location", FilesPath+"/"+hash)
	return c.Answer(written(d), doc)
}

func fileSent(c *call.Call) (name string, content []byte, err error) {
	raw, err := c.ReadBody()
	if err != nil {
		return "", nil, err
	}
	kind, params, _ := mime.ParseMediaType(c.Request.Header.Get("Content-Type"))
	if fileTypes[kind] {
		return c.Query.Text("name"), raw, nil
	}
	if kind != "multipart/form-data" || params["boundary"] == "" {
		return "", nil, &call.Problem{Kind: call.MediaType, Detail: "send the file as application/pdf, image/png, image/jpeg or text/plain with ?name=, or as multipart/form-data"}
	}
	form := multipart.NewReader(bytes.NewReader(raw), params["boundary"])
	part, err := form.NextPart()
	if err != nil || part.FormName() != "file" {
		return "", nil, &call.Problem{Kind: call.BadRequest, Detail: "the form must hold one part named file"}
	}
	if content, err = io.ReadAll(part); err != nil {
		return "", nil, &call.Problem{Kind: call.BadRequest, Detail: "the form cannot be read"}
	}
	if _, err := form.NextPart(); !errors.Is(err, io.EOF) {
		return "", nil, &call.Problem{Kind: call.BadRequest, Detail: "the form must hold one part named file, and nothing else"}
	}
	return part.FileName(), content, nil
}

// GetFile gives a file's bytes back, read from the ledger.
func GetFile(c *call.Call) error {
	hash := c.Param("file")
	var name, kind string
	err := c.View(func(s *fleet.State) error {
		f := s.Bay.Files[hash]
		if f == nil || !c.SeesFile(s, f) {
			return call.NoSuch("file", hash)
		}
		name, _ = keptFor(c, f)
		kind = f.Type
		return nil
	})
	if err != nil {
		return err
	}
	if c.Unchanged(`"` + hash + `"`) {
		return nil
	}
	content, err := c.Fleet.ReadFile(c.Context(), hash)
	if err != nil {
		return err
	}
	if kind == "text/plain" {
		kind = "text/plain; charset=utf-8"
	}
	c.SetHeader("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	return c.Bytes(http.StatusOK, kind, content)
}

// keptFor is under which name and when a file was kept, as far as the caller may
// know: somebody held to yards is told of his own time, if he sent it himself.
func keptFor(c *call.Call, f *fleet.File) (string, fleet.Proof) {
	if name, kept, ok := f.KeptBy(c.Who.Name); ok && len(c.Who.Yards) > 0 {
		return name, kept
	}
	return f.Name, f.Proof
}

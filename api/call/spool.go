package call

import (
	"errors"
	"io"
	"os"
)

// Spool receives the whole body into a temporary file, from which ReadBody reads
// it afterwards: a large body on a slow line then holds neither memory nor what is
// scarce while it comes. done removes the file and must be called.
func (c *Call) Spool() (done func(), err error) {
	if err := c.plain(); err != nil {
		return nil, err
	}
	f, err := os.CreateTemp("", "rigledger-body-*")
	if err != nil {
		return nil, &Problem{Kind: Unavailable, Detail: "there is no room to receive the body", Cause: err}
	}
	done = func() {
		_ = f.Close()
		_ = os.Remove(f.Name())
	}
	into := &disk{f: f}
	if _, err = io.Copy(into, c.Request.Body); err == nil {
		_, err = f.Seek(0, io.SeekStart)
	}
	if err != nil {
		done()
		if into.failed != nil {
			return nil, &Problem{Kind: Unavailable, Detail: "there is no room to receive the body", Cause: err}
		}
		return nil, bodyProblem(err)
	}
	c.Request.Body = struct {
		io.Reader
		io.Closer
	}{f, c.Request.Body}
	return done, nil
}

// disk tells a file that cannot be written from a body that cannot be read.
type disk struct {
	f      *os.File
	failed error
}

func (d *disk) Write(b []byte) (int, error) {
	n, err := d.f.Write(b)
	d.failed = errors.Join(d.failed, err)
	return n, err
}

package console

import (
	"mime"
	"slices"
	"strconv"
	"strings"

	"rigledger/fleet"
)

// showJobFile answers with a photo or paper of a finished job.
func showJobFile(v *visit) error {
	d, err := v.jobOf(v.param("item"))
	if err != nil {
		return err
	}
	at := slices.IndexFunc(d.Files, func(f *fleet.File) bool { return f.File == v.param("file") })
	if at < 0 {
		return &fleet.Error{Code: fleet.NotFound, Message: word("There is no such file with this job.")}
	}
	f := d.Files[at]
	content, err := v.fleet.ReadFile(v.r.Context(), f.File)
	if err != nil {
		return err
	}
	h := v.w.Header()
	h.Set("Content-Type", f.Type)
	if f.Type == "text/plain" {
		h.Set("Content-Type", "text/plain; charset=utf-8")
	}
	if !strings.HasPrefix(f.Type, "image/") {
		h.Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": f.Name}))
	}
	h.Set("Content-Security-Policy", "default-src 'none'; sandbox")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "private, no-cache")
	h.Set("Content-Length", strconv.Itoa(len(content)))
	_, _ = v.w.Write(content)
	return nil
}

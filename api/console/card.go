package console

import (
	"fmt"
	"image/color"
	"net/http"
	"net/url"
	"regexp"
	"strings"

	"github.com/boombuler/barcode/qr"
)

// phoneCode is a QR code (ISO/IEC 18004) as the path of a drawing: one unit a module,
// with the quiet zone of four modules around it that the standard asks for.
type phoneCode struct {
	Text string
	Size int
	Path string
}

// quietZone is how many modules stay empty around a code (ISO/IEC 18004).
const quietZone = 4

// codeOf draws a code for a text, each run of dark modules in a row as one bar.
// Level M withstands a thumbprint: about 15 % of it may be unreadable.
func codeOf(text string) (*phoneCode, error) {
	made, err := qr.Encode(text, qr.M, qr.Auto)
	if err != nil {
		return nil, fmt.Errorf("drawing a code for %q: %w", text, err)
	}
	side := made.Bounds().Dx()
	dark := func(x, y int) bool {
		return x < side && color.Gray16Model.Convert(made.At(x, y)).(color.Gray16).Y < 0x8000
	}
	var b strings.Builder
	for y := range side {
		for x := 0; x < side; x++ {
			if !dark(x, y) {
				continue
			}
			from := x
			for dark(x, y) {
				x++
			}
			fmt.Fprintf(&b, "M%d %dh%dv1h-%dz", from+quietZone, y+quietZone, x-from, x-from)
		}
	}
	return &phoneCode{Text: text, Size: side + 2*quietZone, Path: b.String()}, nil
}

// plainHost is a name or an address with an optional port, and nothing else that a
// browser may have been made to send.
var plainHost = regexp.MustCompile(`^([A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?|\[[0-9A-Fa-f:.]{2,45}\])(:[0-9]{1,5})?$`)

// absolute is a page's address with the host that the browser asked, "" when that
// is no plain host.
func (c *Console) absolute(r *http.Request, path string) string {
	if !plainHost.MatchString(r.Host) {
		return ""
	}
	scheme := "http"
	if c.secure || r.TLS != nil {
		scheme = "https"
	}
	return scheme + "://" + r.Host + path
}

// showCard is the job on paper, with a code that opens it on a phone.
func showCard(v *visit) error {
	d, err := v.jobOf(v.param("item"))
	if err != nil {
		return err
	}
	if to := v.absolute(v.r, "/items/"+url.PathEscape(d.Item)); to != "" {
		if d.Code, err = codeOf(to); err != nil {
			return err
		}
	}
	return v.show("card.html", word("Job card")+", "+d.Title+", "+d.Rig, "/workshop", d)
}

package drawing

import "html/template"

// Glyph is a mark by itself, for the row that a callout leads to and for the
// legend. The words beside it say the same.
func Glyph(standing string, stop bool) template.HTML {
	var p pen
	class := "glyph mark " + standing
	if stop {
		class += " stop"
	}
	p.WriteString(`<svg class="` + safe(class) + `" viewBox="0 0 22 22" width="22" height="22" aria-hidden="true" focusable="false">`)
	p.glyph(11, 11, &Mark{Standing: standing, Stop: stop})
	p.WriteString(`</svg>`)
	return p.html()
}

package call

import (
	"errors"
	"strings"
	"time"
)

// ParseTime reads a time of RFC 3339. Go's own reading of it also takes a comma
// before the fraction and an offset of 24 hours and more, which the RFC does not have.
func ParseTime(text string) (time.Time, error) {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return t, err
	}
	if strings.Contains(text, ",") {
		return t, errors.New("a comma stands before the fraction")
	}
	if n := len(text); text[n-1] != 'Z' && (text[n-5:n-3] > "23" || text[n-2:] > "59") {
		return t, errors.New("there is no such offset from UTC")
	}
	return t, nil
}

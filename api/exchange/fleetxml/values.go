package fleetxml

import (
	"errors"
	"fmt"
	"math/big"
	"strconv"
	"strings"
	"time"
)

// parseTime reads an XML Schema dateTime with Z or an offset. One without is UTC: the specification has all times
// in UTC.
func parseTime(text string) (time.Time, error) {
	text = strings.TrimSpace(text)
	for _, layout := range []string{time.RFC3339Nano, "2006-01-02T15:04:05"} {
		if t, err := time.Parse(layout, text); err == nil {
			if y := t.UTC().Year(); y < 1 || y > 9999 {
				break
			}
			return t.UTC(), nil
		}
	}
	return time.Time{}, fmt.Errorf("%q is not a date with a time", text)
}

// maxDigits bounds the numbers that are read: more digits than any counter has.
const maxDigits = 40

// number reads a decimal number as xs:decimal, or xs:double as some senders write it, exactly.
func number(text string) (*big.Rat, error) {
	if text == "" {
		return nil, errors.New("has no value")
	}
	mantissa, exponent, _ := strings.Cut(strings.ToLower(text), "e")
	if e, err := strconv.Atoi(exponent); exponent != "" && (err != nil || e > 20 || e < -20) || len(mantissa) > maxDigits ||
		strings.Trim(mantissa, "0123456789.+-") != "" {
		return nil, fmt.Errorf("%.60q is not a number", text)
	}
	v, ok := new(big.Rat).SetString(text)
	if !ok {
		return nil, fmt.Errorf("%.60q is not a number", text)
	}
	return v, nil
}

// scaled is text × up / down as a whole count, rounded half up.
func scaled(text string, up, down int64) (int64, error) {
	v, err := number(text)
	if err != nil {
		return 0, err
	}
	return whole(v.Mul(v, big.NewRat(up, down)))
}

func whole(v *big.Rat) (int64, error) {
	if v.Sign() < 0 {
		return 0, errors.New("is negative")
	}
	v = new(big.Rat).Add(v, big.NewRat(1, 2))
	n := new(big.Int).Quo(v.Num(), v.Denom())
	if !n.IsInt64() || n.Int64() > maxCount {
		return 0, errors.New("is too large")
	}
	return n.Int64(), nil
}

// seconds reads decimal hours or an ISO 8601 duration.
func seconds(text string) (int64, error) {
	if strings.HasPrefix(text, "P") || strings.HasPrefix(text, "p") {
		return duration(text)
	}
	return scaled(text, 3600, 1)
}

// duration reads PnW, PnDTnHnMnS in seconds; any part may be missing, and have a fraction. Years and months have no
// fixed length and are refused.
func duration(text string) (int64, error) {
	bad := func() (int64, error) { return 0, fmt.Errorf("%.60q is not a duration", text) }
	date, clock, hasClock := strings.Cut(strings.ToUpper(text)[1:], "T")
	if date == "" && clock == "" || hasClock && clock == "" {
		return bad()
	}
	sum := new(big.Rat)
	for _, part := range []struct {
		text  string
		order string
		each  []int64
	}{{date, "WD", []int64{604_800, 86_400}}, {clock, "HMS", []int64{3600, 60, 1}}} {
		rest, from := part.text, 0
		for rest != "" {
			at := strings.IndexFunc(rest, func(r rune) bool { return r >= 'A' && r <= 'Z' })
			if at <= 0 {
				return bad()
			}
			unit := rest[at]
			if part.order == "WD" && (unit == 'Y' || unit == 'M') {
				return 0, fmt.Errorf("%.60q has years or months, which have no fixed length", text)
			}
			i := strings.IndexByte(part.order[from:], unit)
			if i < 0 {
				return bad()
			}
			v, err := number(strings.Replace(rest[:at], ",", ".", 1))
			if err != nil || v.Sign() < 0 {
				return bad()
			}
			sum.Add(sum, v.Mul(v, big.NewRat(part.each[from+i], 1)))
			from += i + 1
			rest = rest[at+1:]
		}
	}
	return whole(sum)
}

// metres reads an odometer. A mile is 1,609.344 m (international mile, 1959).
func metres(text, unit string) (int64, error) {
	switch strings.ToLower(unit) {
	case "kilometre", "kilometres", "kilometer", "kilometers", "km":
		return scaled(text, 1000, 1)
	case "mile", "miles", "mi":
		return scaled(text, 1_609_344, 1000)
	case "metre", "metres", "meter", "meters", "m":
		return scaled(text, 1, 1)
	case "":
		return 0, errors.New("has no OdometerUnits")
	}
	return 0, fmt.Errorf("OdometerUnits %.60q is not known", unit)
}

func degrees(text string) (float64, error) {
	if _, err := number(text); err != nil {
		return 0, fmt.Errorf("degrees: %w", err)
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		return 0, fmt.Errorf("degrees: %.60q is not a number", text)
	}
	return v, nil
}

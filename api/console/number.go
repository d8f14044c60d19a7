package console

import (
	"encoding/json"
	"fmt"
	"regexp"
	"strconv"
	"strings"
	"unicode"
)

// writing is how a reader's browser writes numbers: the mark before the decimals
// and the mark between thousands, 0 where that is not known.
type writing struct{ point, group rune }

// writesField is the field of a form in which the script says how its browser
// writes writesExample; without script it is empty.
const (
	writesField   = "writes"
	writesExample = "1234567.5"
)

// writingOf learns it from the example as the browser wrote it.
func writingOf(example string) writing {
	marked, ok := plainMarks(example)
	if !ok || strings.Map(digitsOnly, marked) != strings.Map(digitsOnly, writesExample) {
		return writing{}
	}
	w := writing{}
	for _, mark := range strings.Map(marksOnly, marked) {
		if w.point != 0 && w.group == 0 {
			w.group = w.point
		}
		w.point = mark
	}
	return w
}

func digitsOnly(r rune) rune {
	if r >= '0' && r <= '9' {
		return r
	}
	return -1
}

func marksOnly(r rune) rune {
	if digitsOnly(r) < 0 {
		return r
	}
	return -1
}

// Marks that stand for one thing only: point before decimals, gap between thousands.
const (
	surePoint = 'p'
	sureGap   = 'g'
)

// plainMarks writes a number's digits as 0 to 9, whatever script they are of
// (Unicode Nd), and its marks as . , point or gap; false if something else is in it.
func plainMarks(text string) (string, bool) {
	var b strings.Builder
	for _, r := range text {
		switch {
		case r >= '0' && r <= '9', r == '.', r == ',', r == '-', r == '+':
			b.WriteRune(r)
		case unicode.IsDigit(r):
			b.WriteRune('0' + digitValue(r))
		default:
			switch r {
			case '\u066b':
				b.WriteRune(surePoint)
			case '\u060c', '\uff0c':
				b.WriteRune(',')
			case '\uff0e':
				b.WriteRune('.')
			case '\u2212':
				b.WriteRune('-')
			case '\u066c', ' ', '\u00a0', '\u202f', '\u2009', '\'', '\u2019':
				b.WriteRune(sureGap)
			case '\u200e', '\u200f', '\u061c': // which way the text runs
			default:
				return "", false
			}
		}
	}
	return b.String(), true
}

// digitValue is what a decimal digit of any script stands for: scripts have their
// ten digits in a row, beginning with zero (The Unicode Standard, section 4.6).
func digitValue(r rune) rune {
	for _, in := range unicode.Nd.R16 {
		if rune(in.Lo) <= r && r <= rune(in.Hi) {
			return (r - rune(in.Lo)) % 10
		}
	}
	for _, in := range unicode.Nd.R32 {
		if rune(in.Lo) <= r && r <= rune(in.Hi) {
			return (r - rune(in.Lo)) % 10
		}
	}
	return 0
}

var (
	// inGroups is whole thousands with one mark between them; the second form is that of South Asia.
	inGroups = regexp.MustCompile(`^(\d{1,3}(\.\d{3})+|\d{1,3}(,\d{3})+|\d{1,3}(g\d{3})+|\d{1,2}(,\d{2})*,\d{3}|\d{1,2}(g\d{2})*g\d{3})$`)
	// eitherWay could be thousands or have three decimals.
	eitherWay = regexp.MustCompile(`^[1-9]\d{0,2}[.,]\d{3}$`)
	onlyWhole = regexp.MustCompile(`^\d*$`)
)

// numberTyped reads a number as people write it and gives it in the form JSON
// has, or says what is wrong with it. What can be read in one way only is taken.
// One mark before exactly three digits is thousands where the reader's browser
// writes them so; else both readings are shown and nothing is guessed, because
// "3.500" is three and a half to some and a full tank to others. Small values,
// those of a row of nozzles, are never thousands.
func numberTyped(text string, by writing, small bool) (number json.Number, wrong string) {
	notOne := word("This is not a number.")
	marked, ok := plainMarks(text)
	if !ok {
		return "", notOne
	}
	sign := ""
	switch {
	case strings.HasPrefix(marked, "-"):
		sign, marked = "-", marked[1:]
	case strings.HasPrefix(marked, "+"):
		marked = marked[1:]
	}
	whole, decimals := marked, ""
	if at := pointOf(marked); at >= 0 {
		whole, decimals = marked[:at], marked[at+1:]
		if eitherWay.MatchString(marked) && !small {
			if by.group != rune(marked[at]) {
				return "", bothReadings(sign, whole, decimals, by)
			}
			whole, decimals = whole+decimals, ""
		}
	}
	if inGroups.MatchString(whole) {
		whole = strings.Map(digitsOnly, whole)
	}
	if whole+decimals == "" || !onlyWhole.MatchString(whole) || !onlyWhole.MatchString(decimals) {
		return "", notOne
	}
	f, err := strconv.ParseFloat(sign+whole+"."+decimals, 64)
	if err != nil {
		return "", notOne
	}
	return json.Number(strconv.FormatFloat(f, 'f', -1, 64)), ""
}

// pointOf finds the mark before the decimals, -1 if there is none: the one that
// can be nothing else, the last of two kinds, or the only one.
func pointOf(marked string) int {
	if at := strings.IndexRune(marked, surePoint); at >= 0 {
		return at
	}
	last := strings.LastIndexAny(marked, ".,")
	if last < 0 || strings.Count(marked, marked[last:last+1]) > 1 {
		return -1 // one that comes again parts thousands
	}
	return last
}

// bothReadings shows both readings of a number, and how to write either so that it is
// no other.
func bothReadings(sign, whole, decimals string, by writing) string {
	point := "."
	if by.point == ',' {
		point = ","
	}
	short := strings.TrimRight(decimals, "0")
	small := strings.TrimRight(sign+whole+point+short, point)
	sure := small
	if len(short) == 3 {
		sure += "0"
	}
	large := sign + whole + decimals
	return fmt.Sprintf(word("Is it %s or %s? Write %s or %s."), small, large, large, sure)
}

// ownNumber writes a number that the page itself puts into a field so that it
// comes back as what it was: three decimals could be taken for thousands.
func ownNumber(text string) string {
	if eitherWay.MatchString(strings.TrimPrefix(text, "-")) {
		return text + "0"
	}
	return text
}

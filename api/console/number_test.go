package console

import (
	"strconv"
	"strings"
	"testing"
	"unicode"

	"pgregory.net/rapid"
)

// How browsers write 1234567.5 (Unicode CLDR), by language; none without script.
var browsers = map[string]string{
	"none": "", "en": "1,234,567.5", "de": "1.234.567,5", "de-CH": "1\u2019234\u2019567.5", "fr": "1\u202f234\u202f567,5", "pl": "1\u00a0234\u00a0567,5",
	"tr": "1.234.567,5", "hi": "12,34,567.5", "ar-EG": "\u0661\u066c\u0662\u0663\u0664\u066c\u0665\u0666\u0667\u066b\u0665",
	"fa": "\u06f1\u066c\u06f2\u06f3\u06f4\u066c\u06f5\u06f6\u06f7\u066b\u06f5",
}

func TestANumberIsReadAsItsReaderWritesIt(t *testing.T) {
	const notOne = "This is not a number."
	either := func(small, large, sure string) string {
		return "Is it " + small + " or " + large + "? Write " + large + " or " + sure + "."
	}
	for name, c := range map[string]struct{ browser, typed, want, wrong string }{
		"whole":                      {"none", "3500", "3500", ""},
		"a point before one decimal": {"none", "24.5", "24.5", ""},
		"a comma before one decimal": {"none", "24,5", "24.5", ""},
		"a comma before one decimal, to an English reader":  {"en", "24,5", "24.5", ""},
		"a point before one decimal, to a German reader":    {"de", "24.5", "24.5", ""},
		"thousands and decimals, the English way":           {"none", "1,200.5", "1200.5", ""},
		"thousands and decimals, the German way":            {"none", "1.200,5", "1200.5", ""},
		"the German way, to an English reader":              {"en", "1.200,5", "1200.5", ""},
		"a comma before three digits, nobody knows whose":   {"none", "3,500", "", either("3.5", "3500", "3.5")},
		"a point before three digits, nobody knows whose":   {"none", "3.500", "", either("3.5", "3500", "3.5")},
		"thousands as an English page shows them":           {"en", "3,500", "3500", ""},
		"thousands as a German page shows them":             {"de", "3.500", "3500", ""},
		"a point before three digits, to an English reader": {"en", "1.250", "", either("1.25", "1250", "1.25")},
		"a comma before three digits, to a German reader":   {"de", "1,250", "", either("1,25", "1250", "1,25")},
		"three decimals that stay three":                    {"none", "1.185", "", either("1.185", "1185", "1.1850")},
		"and are taken when written with one more":          {"none", "1.1850", "1.185", ""},
		"with a sign": {"none", "-3.500", "", either("-3.5", "-3500", "-3.5")},
		"nothing but naught before it is no thousand": {"none", "0.500", "0.5", ""},
		"four digits before it are no thousand":       {"none", "1250.500", "1250.5", ""},
		"two groups are thousands":                    {"none", "1.234.567", "1234567", ""},
		"groups of South Asia":                        {"hi", "12,34,567.5", "1234567.5", ""},
		"a gap before three digits":                   {"none", "3\u202f500", "3500", ""},
		"a gap that does not break":                   {"none", "3\u00a0500,25", "3500.25", ""},
		"a gap typed with the space bar":              {"fr", "3 500", "3500", ""},
		"apostrophes":                                 {"de-CH", "1'250.5", "1250.5", ""},
		"a curled apostrophe":                         {"de-CH", "1\u2019250", "1250", ""},
		"a gap and three decimals":                    {"fr", "1 250,125", "1250.125", ""},
		"Arabic digits as the page shows them":        {"ar-EG", "\u0663\u066c\u0665\u0660\u0660", "3500", ""},
		"Arabic decimals":                             {"ar-EG", "\u0662\u0664\u066b\u0665", "24.5", ""},
		"Arabic decimals, three of them":              {"none", "\u0661\u066b\u0662\u0665\u0660", "1.25", ""},
		"Persian digits":                              {"fa", "\u06f3\u06f5\u06f0\u06f0", "3500", ""},
		"Devanagari digits and a point":               {"hi", "\u0967\u0968.\u096b", "12.5", ""},
		"a minus as it is printed":                    {"none", "\u22125", "-5", ""},
		"a plus":                                      {"none", "+5", "5", ""},
		"a point and no decimals":                     {"none", "3500.", "3500", ""},
		"a point and nothing before it":               {"none", ".5", "0.5", ""},
		"words":                                       {"en", "many", "", notOne},
		"an exponent":                                 {"en", "1e9", "", notOne},
		"a gap that parts no thousands":               {"none", "12 5", "", notOne},
		"groups of two sizes":                         {"none", "1.23.4567", "", notOne},
		"three kinds of mark":                         {"none", "1.234,567.8", "", notOne},
		"a mark alone":                                {"none", ".", "", notOne},
		"two signs":                                   {"none", "--5", "", notOne},
		"a letter between":                            {"none", "12p5", "", notOne},
	} {
		t.Run(name, func(t *testing.T) {
			got, wrong := numberTyped(c.typed, writingOf(browsers[c.browser]), false)
			if string(got) != c.want || wrong != c.wrong {
				t.Errorf("%q is read as %q (%s), want %q (%s)", c.typed, got, wrong, c.want, c.wrong)
			}
		})
	}
}

// A nozzle gives a litre or two in a minute, never thousands.
func TestSmallValuesAreNeverThousands(t *testing.T) {
	for browser, writes := range browsers {
		for _, typed := range []string{"1.185", "1,185"} {
			if got, wrong := numberTyped(typed, writingOf(writes), true); got != "1.185" {
				t.Errorf("with %s a nozzle's %s is read as %q (%s)", browser, typed, got, wrong)
			}
		}
	}
}

// Both of what is offered in place of an unclear number is taken, and is what it says.
func TestWhatIsOfferedIsTaken(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole, decimals := rapid.IntRange(1, 999).Draw(t, "whole"), rapid.StringMatching(`[0-9]{3}`).Draw(t, "decimals")
		writes := writingOf(rapid.SampledFrom([]string{browsers["none"], browsers["en"], browsers["de"], browsers["fr"]}).Draw(t, "browser"))
		mark := rapid.SampledFrom([]string{".", ","}).Draw(t, "mark")
		got, wrong := numberTyped(strconv.Itoa(whole)+mark+decimals, writes, false)
		if wrong == "" {
			if string(writes.group) != mark || string(got) != strconv.Itoa(whole)+decimals {
				t.Fatalf("it was taken as %s", got)
			}
			return
		}
		_, offer, _ := strings.Cut(strings.TrimSuffix(wrong, "."), "Write ")
		large, small, _ := strings.Cut(offer, " or ")
		if got, wrong := numberTyped(large, writes, false); string(got) != strconv.Itoa(whole)+decimals {
			t.Fatalf("%s is read as %s (%s)", large, got, wrong)
		}
		want, _ := strconv.ParseFloat(strconv.Itoa(whole)+"."+decimals, 64)
		if got, wrong := numberTyped(small, writes, false); string(got) != strconv.FormatFloat(want, 'f', -1, 64) {
			t.Fatalf("%s is read as %s (%s)", small, got, wrong)
		}
	})
}

// What a page itself puts into a field comes back unharmed, whoever looks at it.
func TestThePagesOwnNumbersComeBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := float64(rapid.IntRange(-5_000_000, 5_000_000).Draw(t, "thousandths")) / 1000
		text := strconv.FormatFloat(value, 'f', rapid.SampledFrom([]int{-1, 3}).Draw(t, "decimals"), 64)
		browser := rapid.SampledFrom([]string{"none", "en", "de", "de-CH", "fr", "pl", "tr", "hi", "ar-EG", "fa"}).Draw(t, "browser")
		got, wrong := numberTyped(ownNumber(text), writingOf(browsers[browser]), false)
		if back, err := strconv.ParseFloat(string(got), 64); err != nil || back != value {
			t.Fatalf("%s stands as %s in a field and comes back from %s as %q (%s)", text, ownNumber(text), browser, got, wrong)
		}
	})
}

func TestWhatABrowserWritesIsUnderstood(t *testing.T) {
	for browser, want := range map[string]writing{
		"none": {}, "en": {'.', ','}, "de": {',', '.'}, "de-CH": {'.', sureGap}, "fr": {',', sureGap}, "hi": {'.', ','}, "ar-EG": {surePoint, sureGap},
	} {
		if got := writingOf(browsers[browser]); got != want {
			t.Errorf("%s is understood as %c %c", browser, got.point, got.group)
		}
	}
	for _, text := range []string{"1,234", "x", "1,234,567.5 or so", "7,654,321.5"} {
		if got := writingOf(text); got != (writing{}) {
			t.Errorf("%q is understood as %c %c", text, got.point, got.group)
		}
	}
}

// Every script's digits stand ten in a row; were one of them otherwise, this fails.
func TestDigitsOfEveryScript(t *testing.T) {
	for r := rune(0); r <= unicode.MaxRune; r++ {
		if !unicode.IsDigit(r) {
			continue
		}
		if before := r - 1; unicode.IsDigit(before) && digitValue(r) != (digitValue(before)+1)%10 || !unicode.IsDigit(before) && digitValue(r) != 0 {
			t.Errorf("%q stands for %d", r, digitValue(r))
		}
	}
}

package systemd_test

import (
	"os"
	"os/exec"
	"regexp"
	"strings"
	"testing"
)

// TestTheUnitAndItsSettingsFitTheProgram asks the program for its flags, and for
// the defaults that rigledger.env shows in its comments.
func TestTheUnitAndItsSettingsFitTheProgram(t *testing.T) {
	said, err := exec.Command("go", "run", "rigledger", "serve", "-h").CombinedOutput()
	if err != nil {
		t.Fatalf("rigledger serve -h: %v\n%s", err, said)
	}
	defaults := map[string]string{} // by flag; "" where it shows none
	for _, m := range regexp.MustCompile(`(?m)^  -([a-z-]+).*\n(.*)$`).FindAllStringSubmatch(string(said), -1) {
		shown := ""
		if d := regexp.MustCompile(`\(default "?([^")]*)"?\)`).FindStringSubmatch(m[2]); d != nil {
			shown = d[1]
		}
		defaults[m[1]] = shown
	}
	if len(defaults) < 10 {
		t.Fatalf("only %d flags in\n%s", len(defaults), said)
	}
	for _, file := range []string{"rigledger.service", "rigledger.env"} {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		found := regexp.MustCompile(`(?m)\bRIGLEDGER_([A-Z_]+?)(_FILE)?\b(=(\S*))?`).FindAllStringSubmatch(string(text), -1)
		if len(found) == 0 {
			t.Errorf("%s names no variable", file)
		}
		for _, m := range found {
			if m[1] == "X" { // stands for any
				continue
			}
			name := strings.ToLower(strings.ReplaceAll(m[1], "_", "-"))
			shown, known := defaults[name]
			if !known {
				t.Errorf("%s: %s is no flag of rigledger serve", file, m[0])
			}
			if file == "rigledger.env" && m[2] == "" && shown != "" && m[4] != "" && m[4] != shown {
				t.Errorf("%s shows %s, the default is %s", file, m[0], shown)
			}
		}
	}
}

func TestTheUnitGivesNothingAway(t *testing.T) {
	text, err := os.ReadFile("rigledger.service")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{
		"ExecStart=/usr/local/bin/rigledger serve", "StateDirectory=rigledger", "Environment=RIGLEDGER_DATA=/var/lib/rigledger",
		"User=rigledger", "NoNewPrivileges=yes", "ProtectSystem=strict", "CapabilityBoundingSet=", "MemoryDenyWriteExecute=yes",
		"Restart=on-failure", "TimeoutStopSec=30s", "RestrictAddressFamilies=AF_INET AF_INET6 AF_UNIX",
	} {
		if !regexp.MustCompile(`(?m)^` + regexp.QuoteMeta(want) + `$`).Match(text) {
			t.Errorf("rigledger.service has no line %q", want)
		}
	}
}

package intake

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestSeedsAreReadOnlyFromAFileOfTheOwnersAlone(t *testing.T) {
	k := newKeys(t)
	both := fmt.Sprintf("# issuer, then xkey\n%s\n\n  %s\r\n", k.issuer, k.xkey)
	dir := t.TempDir()
	for name, try := range map[string]struct {
		text string
		mode os.FileMode
		says string
	}{
		"both seeds":                 {both, 0o600, ""},
		"the issuer's alone":         {string(k.issuer), 0o400, ""},
		"a file others may read":     {both, 0o644, "mode 0644"},
		"a file a group may read":    {both, 0o640, "mode 0640"},
		"no issuer":                  {string(k.xkey), 0o600, "no account's seed"},
		"two issuers":                {string(k.issuer) + "\n" + string(k.issuer), 0o600, "two seeds"},
		"a public key":               {k.publicIssuer, 0o600, "neither"},
		"nothing":                    {"", 0o600, "no account's seed"},
		"something that is no seeds": {strings.Repeat("#\n", maxSeeds), 0o600, "too large"},
	} {
		t.Run(name, func(t *testing.T) {
			path := filepath.Join(dir, strings.ReplaceAll(name, " ", "-"))
			if err := os.WriteFile(path, []byte(try.text), 0o600); err != nil {
				t.Fatal(err)
			}
			if err := os.Chmod(path, try.mode); err != nil {
				t.Fatal(err)
			}
			issuer, xkey, err := ReadSeeds(path)
			if try.says != "" {
				if err == nil || !strings.Contains(err.Error(), try.says) {
					t.Errorf("got %v", err)
				} else if strings.Contains(err.Error(), string(k.issuer)) || strings.Contains(err.Error(), string(k.xkey)) {
					t.Errorf("the error gives the seed away: %v", err)
				}
				return
			}
			if err != nil || string(issuer) != string(k.issuer) || strings.Contains(try.text, string(k.xkey)) != (string(xkey) == string(k.xkey)) {
				t.Errorf("read %d and %d bytes, %v", len(issuer), len(xkey), err)
			}
		})
	}
	if _, _, err := ReadSeeds(filepath.Join(dir, "none")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a file that is not there gives %v", err)
	}
	t.Setenv("CREDENTIALS_DIRECTORY", dir)
	handed := filepath.Join(dir, "handed")
	_ = os.WriteFile(handed, []byte(both), 0o600)
	_ = os.Chmod(handed, 0o440)
	if _, _, err := ReadSeeds(handed); err != nil {
		t.Error("handed over by systemd:", err)
	}
	_ = os.Chmod(handed, 0o444)
	if _, _, err := ReadSeeds(handed); err == nil {
		t.Error("handed over for everybody to read")
	}
}

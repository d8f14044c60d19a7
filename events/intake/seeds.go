package intake

import (
	"bytes"
	"fmt"
	"io"
	"os"
	"path/filepath"
)

// maxSeeds is the largest file of seeds, in bytes.
const maxSeeds = 4 << 10

// ReadSeeds reads the nkey seeds of a Callout from a file that nobody but its
// owner may read: the issuer's (SA…) and, where the server encrypts, the curve
// key's (SX…), one a line; "#" starts a comment line.
func ReadSeeds(path string) (issuer, xkey []byte, err error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, nil, err
	}
	if open := info.Mode().Perm() &^ ownerOnly(path); open != 0 {
		return nil, nil, fmt.Errorf("%s has mode %#o: others than its owner may read or write it; chmod 0600 it", path, info.Mode().Perm())
	}
	text, err := io.ReadAll(io.LimitReader(f, maxSeeds+1))
	if err != nil {
		return nil, nil, err
	}
	if len(text) > maxSeeds {
		return nil, nil, fmt.Errorf("%s is too large for a file of seeds", path)
	}
	for line := range bytes.Lines(text) {
		line = bytes.TrimSpace(line)
		var seed *[]byte
		switch {
		case len(line) == 0 || line[0] == '#':
			continue
		case bytes.HasPrefix(line, []byte("SA")):
			seed = &issuer
		case bytes.HasPrefix(line, []byte("SX")):
			seed = &xkey
		default:
			return nil, nil, fmt.Errorf("%s: a line is neither an account's seed (SA…) nor a curve key's (SX…)", path)
		}
		if *seed != nil {
			return nil, nil, fmt.Errorf("%s: two seeds of a kind", path)
		}
		*seed = line
	}
	if issuer == nil {
		return nil, nil, fmt.Errorf("%s: no account's seed (SA…)", path)
	}
	return issuer, xkey, nil
}

// ownerOnly gives the permissions that a file of seeds may have at most. What
// systemd hands over with LoadCredential= shows an access list for the
// service's own user as the group's read permission; its folder guards it.
func ownerOnly(path string) os.FileMode {
	dir := os.Getenv("CREDENTIALS_DIRECTORY")
	if dir != "" && filepath.Dir(filepath.Clean(path)) == filepath.Clean(dir) {
		return 0o640
	}
	return 0o600
}

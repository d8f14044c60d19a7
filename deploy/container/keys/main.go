// Command keys makes the secrets of compose.yaml: nkey seeds, passwords and what
// is put together from them, each in a file that only its owner may read. It
// writes into a folder where none of them is yet, and never replaces one.
package main

import (
	"crypto/rand"
	"encoding/base64"
	"errors"
	"flag"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"

	"github.com/nats-io/nkeys"
	"golang.org/x/crypto/bcrypt"
)

func main() {
	owner := flag.Int("owner", -1, "`uid` and gid of the program that reads rigledger's own files; -1 leaves them ours")
	flag.Usage = func() {
		fmt.Fprintln(flag.CommandLine.Output(), "keys [-owner UID] FOLDER makes the secrets of compose.yaml")
		flag.PrintDefaults()
	}
	flag.Parse()
	if flag.NArg() != 1 {
		flag.Usage()
		os.Exit(2)
	}
	if err := write(flag.Arg(0), *owner); err != nil {
		fmt.Fprintf(os.Stderr, "keys: %v\n", err)
		os.Exit(1)
	}
}

// forRigledger are the files that rigledger itself reads; the others are read by
// the NATS server and by MongoDB, which start as root in their images.
var forRigledger = []string{"issuer.nk", "nats.url", "mongo.uri"}

func write(dir string, owner int) error {
	files, err := secrets()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(dir, 0o700); err != nil {
		return err
	}
	names := slices.Sorted(maps.Keys(files))
	for _, name := range names {
		if _, err := os.Lstat(filepath.Join(dir, name)); !errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("%s is there already in %s; nothing was written", name, dir)
		}
	}
	for _, name := range names {
		path := filepath.Join(dir, name)
		f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err != nil {
			return err
		}
		_, err = f.WriteString(files[name])
		if err = errors.Join(err, f.Sync(), f.Close()); err == nil && owner >= 0 && slices.Contains(forRigledger, name) {
			err = os.Chown(path, owner, owner)
		}
		if err != nil {
			return fmt.Errorf("%s: %w", path, err)
		}
		fmt.Println(path)
	}
	return nil
}

// secrets gives the contents by file name.
func secrets() (map[string]string, error) {
	account, err := nkeys.CreateAccount()
	if err != nil {
		return nil, err
	}
	curve, err := nkeys.CreateCurveKeys()
	if err != nil {
		return nil, err
	}
	issuerSeed, err1 := account.Seed()
	issuer, err2 := account.PublicKey()
	xkeySeed, err3 := curve.Seed()
	xkey, err4 := curve.PublicKey()
	service, app := random(32), random(32)
	// The password is 32 random bytes: a slow hash would add nothing but time at
	// every connection, and NATS wants bcrypt.
	hash, err5 := bcrypt.GenerateFromPassword([]byte(service), bcrypt.MinCost)
	if err := errors.Join(err1, err2, err3, err4, err5); err != nil {
		return nil, err
	}
	return map[string]string{
		"issuer.nk":   fmt.Sprintf("# rigledger --nats-issuer: seeds of the auth callout's issuer and xkey\n%s\n%s\n", issuerSeed, xkeySeed),
		"access.conf": fmt.Sprintf("# included by nats.conf\nservice_password: %q\nissuer: %q\nxkey: %q\n", hash, issuer, xkey),
		"nats.url":    "nats://rigledger.service:" + service + "@nats:4222\n",
		"mongo.uri":   "mongodb://rigledger:" + app + "@mongo:27017/?replicaSet=ledger&authSource=admin\n",
		// mongod takes 6 to 1024 base64 characters, and not the URL's alphabet.
		"mongo.key":           base64.StdEncoding.EncodeToString(randomBytes(756)) + "\n",
		"mongo-root.password": random(32),
	}, nil
}

func randomBytes(n int) []byte {
	b := make([]byte, n)
	_, _ = rand.Read(b) // never fails: it ends the program instead
	return b
}

// random gives n random bytes in letters that need no escape in a URL.
func random(n int) string { return base64.RawURLEncoding.EncodeToString(randomBytes(n)) }

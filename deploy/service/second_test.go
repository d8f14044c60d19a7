package service

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestASecondServiceInTheSameFolderIsRefusedAndTouchesNothing(t *testing.T) {
	o := Options{Data: t.TempDir(), HTTP: "127.0.0.1:0", NATS: "127.0.0.1:0"}
	first, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(o.Data, AddressesFile)
	was, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	second, err := Start(context.Background(), o)
	if err == nil {
		second.Close()
		t.Fatal("two services serve from one folder")
	}
	if !strings.Contains(err.Error(), "another rigledger serves from") {
		t.Errorf("it is refused with %v", err)
	}
	if is, err := os.ReadFile(path); err != nil || string(is) != string(was) {
		t.Errorf("the addresses of the first are %q (%v), were %q", is, err, was)
	}
	first.Close()
	if _, err := os.Stat(path); !os.IsNotExist(err) {
		t.Errorf("it has stopped, and its addresses are still there: %v", err)
	}
	// One that was killed leaves its addresses; the next takes the folder over.
	if err := os.WriteFile(path, was, 0o644); err != nil {
		t.Fatal(err)
	}
	third, err := Start(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	third.Close()
}

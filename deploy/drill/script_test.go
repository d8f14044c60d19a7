package drill_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts runs the real program as an administrator would at a shell.
func TestScripts(t *testing.T) {
	testscript.Run(t, testscript.Params{
		Dir: "testdata",
		Setup: func(e *testscript.Env) error {
			e.Setenv("PATH", filepath.Dir(binary)+string(os.PathListSeparator)+e.Getenv("PATH"))
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"appears":  appears,
			"exitcode": exitCode,
		},
	})
}

// appears waits until a file is there.
func appears(ts *testscript.TestScript, neg bool, args []string) {
	path := ts.MkAbs(args[0])
	for range 1000 {
		if _, err := os.Stat(path); err == nil {
			return
		}
		time.Sleep(20 * time.Millisecond)
	}
	ts.Fatalf("%s did not appear", args[0])
}

// exitcode runs a command and wants its exit code: exitcode 2 rigledger nothing.
func exitCode(ts *testscript.TestScript, neg bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	cmd := exec.Command(binary, args[2:]...)
	cmd.Dir = ts.MkAbs(".")
	cmd.Stdout, cmd.Stderr = ts.Stdout(), ts.Stderr()
	_ = cmd.Run()
	if got := cmd.ProcessState.ExitCode(); got != want {
		ts.Fatalf("exit code %d, want %d", got, want)
	}
}

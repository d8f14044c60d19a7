package storetest

import (
	"bufio"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
)

// server is the one test server of this test process. It lives as long as the
// process: the end of the pipe to its standard input stops it, however the
// process ends.
var server = sync.OnceValues(startServer)

// errCannotBuild says that the test server's module is not to be had here.
var errCannotBuild = errors.New("the MongoDB test server cannot be built")

// Mongo gives the URI of a server for tests: the one that RIGLEDGER_TEST_MONGO
// names, else the one of testdata/mongod, built and started once a test process.
// Where that cannot be built (a machine without a network and without the
// modules) the test is skipped, except in CI, where a missing tool is a failure.
func Mongo(t testing.TB) (uri string) {
	t.Helper()
	if uri := os.Getenv("RIGLEDGER_TEST_MONGO"); uri != "" {
		return uri
	}
	uri, err := server()
	need(t, err)
	return uri
}

// need skips a test that cannot have its server here; in CI that is a failure.
func need(t testing.TB, err error) {
	t.Helper()
	switch {
	case err == nil:
	case errors.Is(err, errCannotBuild) && os.Getenv("CI") == "":
		t.Skip(err)
	default:
		t.Fatal(err)
	}
}

func startServer() (uri string, err error) {
	binary, err := build()
	if err != nil {
		return "", err
	}
	s, err := launch(binary) // its data are in a temporary folder of its own
	if err != nil {
		return "", err
	}
	// Never closed by us, and kept where the garbage collector does not close it.
	serverInput = s.input
	return s.uri, nil
}

// launched is a running test server.
type launched struct {
	cmd   *exec.Cmd
	input io.Closer
	uri   string
}

func launch(binary string, args ...string) (launched, error) {
	cmd := exec.Command(binary, args...)
	cmd.Stderr = os.Stderr
	input, err := cmd.StdinPipe()
	if err != nil {
		return launched{}, err
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		return launched{}, err
	}
	if err := cmd.Start(); err != nil {
		return launched{}, fmt.Errorf("start the MongoDB test server: %w", err)
	}
	first := make(chan string, 1)
	go func() {
		line, _ := bufio.NewReader(out).ReadString('\n')
		first <- line
	}()
	select {
	case line := <-first:
		if addr, ok := strings.CutPrefix(strings.TrimSpace(line), "listening "); ok {
			return launched{cmd: cmd, input: input, uri: "mongodb://" + addr + "/"}, nil
		}
		err = fmt.Errorf("the MongoDB test server said %q and not where it listens", line)
	case <-time.After(30 * time.Second):
		err = errors.New("the MongoDB test server does not start")
	}
	cmd.Process.Kill()
	cmd.Wait()
	return launched{}, err
}

//lint:ignore U1000 only held, so that it is not collected and closed
var serverInput io.Closer

// build compiles testdata/mongod into the user's cache folder, under a name made
// of what it is built from. Test processes run side by side: each builds under a
// name of its own and then renames.
func build() (string, error) {
	_, here, _, ok := runtime.Caller(0)
	if !ok {
		return "", fmt.Errorf("%w: its source is not found", errCannotBuild)
	}
	source := filepath.Join(filepath.Dir(here), "..", "..", "testdata", "mongod")
	print := sha256.New()
	print.Write([]byte(runtime.Version()))
	for _, name := range []string{"main.go", "go.mod", "go.sum"} {
		text, err := os.ReadFile(filepath.Join(source, name))
		if err != nil {
			return "", fmt.Errorf("%w: %w", errCannotBuild, err)
		}
		print.Write(text)
	}
	cache, err := os.UserCacheDir()
	if err != nil {
		cache = os.TempDir()
	}
	folder := filepath.Join(cache, "rigledger-test")
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return "", err
	}
	binary := filepath.Join(folder, fmt.Sprintf("mongod-%x", print.Sum(nil)[:8]))
	if _, err := os.Stat(binary); err == nil {
		return binary, nil
	}
	own := fmt.Sprintf("%s.%d", binary, os.Getpid())
	defer os.Remove(own)
	cmd := exec.Command("go", "build", "-o", own, ".")
	cmd.Dir = source
	cmd.Env = append(os.Environ(), "GOWORK=off", "GOFLAGS=-mod=readonly -buildvcs=false")
	if text, err := cmd.CombinedOutput(); err != nil {
		return "", fmt.Errorf("%w: %w: %s", errCannotBuild, err, strings.TrimSpace(string(text)))
	}
	return binary, os.Rename(own, binary)
}

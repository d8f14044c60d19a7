package drill_test

import (
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// goGenerator makes the Go client; the TypeScript one is pinned in tssmoke/package.json.
const goGenerator = "github.com/oapi-codegen/oapi-codegen/v2/cmd/oapi-codegen@v2.8.2"

// TestTwoGeneratedClientsTakeTheSameSteps plays an integrator who has nothing but
// an address, a token and the document that the running service serves: two
// generators that have nothing to do with each other make a client of it, both
// compile strictly, and one script in two languages has to say the same.
func TestTwoGeneratedClientsTakeTheSameSteps(t *testing.T) {
	needTool(t, "node", "--version")
	needTool(t, "npm", "--version")
	needTool(t, "go", "run", goGenerator, "-version")
	said := map[string]string{}
	for name, client := range map[string]func(*testing.T, string, *smokeService){"Go": goClient, "TypeScript": tsClient} {
		t.Run(name, func(t *testing.T) {
			s := &smokeService{process: serve(t, t.TempDir(), "--nats", "127.0.0.1:0", "--raise-every", "1s")}
			dir := t.TempDir()
			code, document := s.try("GET", "/openapi.yaml", nil)
			if code != 200 {
				t.Fatalf("the document: %d %s", code, document)
			}
			if err := os.WriteFile(filepath.Join(dir, "openapi.yaml"), document, 0o600); err != nil {
				t.Fatal(err)
			}
			client(t, dir, s)
			said[name] = s.said
			t.Logf("\n%s", s.said)
		})
	}
	if t.Failed() {
		return
	}
	if steps := strings.Count(said["Go"], "\n"); steps != 14 {
		t.Errorf("%d steps were taken, want 14:\n%s", steps, said["Go"])
	}
	if said["Go"] != said["TypeScript"] {
		t.Errorf("the clients do not agree.\nGo:\n%s\nTypeScript:\n%s", said["Go"], said["TypeScript"])
	}
}

// smokeService is a service with what its client said.
type smokeService struct {
	*process
	said string
}

func (s *smokeService) run(t *testing.T, dir string, command ...string) {
	t.Helper()
	s.said = inFolder(t, dir, []string{"RIGLEDGER_URL=http://" + s.HTTP, "RIGLEDGER_TOKEN=" + s.token}, command...)
}

func goClient(t *testing.T, dir string, s *smokeService) {
	copyFolder(t, "../../testdata/clients/gosmoke", dir)
	if err := os.Mkdir(filepath.Join(dir, "rigapi"), 0o700); err != nil {
		t.Fatal(err)
	}
	inFolder(t, dir, nil, "go", "run", goGenerator, "-config", "generate.yaml", "openapi.yaml")
	made, err := os.ReadFile(filepath.Join(dir, "rigapi", "rigapi.go"))
	if err != nil {
		t.Fatal(err)
	}
	// Hectares have four decimals: half the digits of a counter would be lost.
	if bytes.Contains(made, []byte("float32")) {
		t.Error("a number of the document has no format: double, so a generated client rounds it")
	}
	inFolder(t, dir, nil, "go", "build", "-o", "gosmoke", ".")
	s.run(t, dir, filepath.Join(dir, "gosmoke"))
}

func tsClient(t *testing.T, dir string, s *smokeService) {
	copyFolder(t, "../../testdata/clients/tssmoke", dir)
	inFolder(t, dir, nil, "npm", "install", "--no-package-lock", "--no-audit", "--no-fund", "--ignore-scripts")
	inFolder(t, dir, nil, "npm", "run", "--silent", "generate")
	inFolder(t, dir, nil, "npm", "run", "--silent", "build")
	s.run(t, dir, "node", "out/main.js")
}

// needTool skips without a tool, except in CI, where it fails.
func needTool(t *testing.T, command ...string) {
	t.Helper()
	ctx, stop := context.WithTimeout(context.Background(), 3*time.Minute)
	defer stop()
	out, err := exec.CommandContext(ctx, command[0], command[1:]...).CombinedOutput()
	switch {
	case err == nil:
	case os.Getenv("CI") != "":
		t.Fatalf("%s is needed in CI: %v\n%s", strings.Join(command, " "), err, out)
	default:
		t.Skipf("LEFT OUT, no generated client was tried: %s does not run here: %v", strings.Join(command, " "), err)
	}
}

// inFolder runs a command there and gives what it printed.
func inFolder(t *testing.T, dir string, env []string, command ...string) string {
	t.Helper()
	ctx, stop := context.WithTimeout(context.Background(), 5*time.Minute)
	defer stop()
	c := exec.CommandContext(ctx, command[0], command[1:]...)
	var stderr bytes.Buffer
	c.Dir, c.Env, c.Stderr = dir, append(os.Environ(), env...), &stderr
	out, err := c.Output()
	if err != nil {
		t.Fatalf("%s: %v\n%s%s", strings.Join(command, " "), err, out, stderr.String())
	}
	return string(out)
}

func copyFolder(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

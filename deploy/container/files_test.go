package container_test

import (
	"net"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"go.yaml.in/yaml/v3"
)

type compose struct {
	Services map[string]service
	Secrets  map[string]struct{ File string }
	Volumes  map[string]any
	Networks map[string]any
}

type service struct {
	Image       string
	Build       *struct{ Context, Dockerfile, Target string }
	Environment map[string]string
	Ports       []string
	Volumes     []string
	Networks    []string
	Secrets     []yaml.Node
	DependsOn   map[string]struct{ Condition string } `yaml:"depends_on"`
	Healthcheck *struct{ Test []string }
	ReadOnly    bool     `yaml:"read_only"`
	SecurityOpt []string `yaml:"security_opt"`
	Command     []string
}

func composed(t *testing.T) compose {
	t.Helper()
	text, err := os.ReadFile("compose.yaml")
	if err != nil {
		t.Fatal(err)
	}
	var c compose
	if err := yaml.Unmarshal(text, &c); err != nil {
		t.Fatal("compose.yaml:", err)
	}
	if len(c.Services) == 0 {
		t.Fatal("compose.yaml has no services")
	}
	return c
}

// flags of `rigledger serve`, as the program itself lists them.
func flags(t *testing.T) map[string]bool {
	t.Helper()
	said, code := program(t, "rigledger", "serve", "-h")
	known := map[string]bool{}
	for _, m := range regexp.MustCompile(`(?m)^  -([a-z-]+)`).FindAllStringSubmatch(said, -1) {
		known[m[1]] = true
	}
	if code != 0 || !known["nats-url"] || !known["data"] {
		t.Fatalf("rigledger serve -h: %d %s", code, said)
	}
	return known
}

// variables checks that every RIGLEDGER_… in a file is a flag of serve.
func variables(t *testing.T, file string) {
	t.Helper()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	known := flags(t)
	found := regexp.MustCompile(`\bRIGLEDGER_[A-Z_]+`).FindAllString(string(text), -1)
	if len(found) == 0 {
		t.Errorf("%s names no variable of rigledger's", file)
	}
	for _, name := range found {
		f := strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, "RIGLEDGER_"), "_", "-"))
		if !known[f] && !known[strings.TrimSuffix(f, "-file")] {
			t.Errorf("%s: %s is no flag of rigledger serve", file, name)
		}
	}
}

func TestEveryVariableIsAFlag(t *testing.T) {
	variables(t, "compose.yaml")
	variables(t, "Dockerfile")
}

var pinned = regexp.MustCompile(`^[a-z0-9./-]+:v?[0-9]+\.[0-9]+\.[0-9]+(-[a-z0-9.]+)?$`)

func TestImagesArePinnedByVersionAndMatchTheModule(t *testing.T) {
	module, err := os.ReadFile(filepath.Join("..", "..", "go.mod"))
	if err != nil {
		t.Fatal(err)
	}
	goVersion := regexp.MustCompile(`(?m)^go (\S+)$`).FindSubmatch(module)
	natsVersion := regexp.MustCompile(`nats-server/v2 v(\S+)`).FindSubmatch(module)
	if goVersion == nil || natsVersion == nil {
		t.Fatal("go.mod names no version of Go or of the NATS server")
	}
	for name, s := range composed(t).Services {
		switch {
		case s.Build != nil:
			if !strings.HasSuffix(s.Image, ":local") {
				t.Errorf("%s is built here, and called %s", name, s.Image)
			}
		case !pinned.MatchString(s.Image):
			t.Errorf("%s: image %q is not pinned to a version", name, s.Image)
		}
		if name == "nats" && !strings.HasPrefix(s.Image, "nats:"+string(natsVersion[1])) {
			t.Errorf("%s: image %s, and the tests are run with %s", name, s.Image, natsVersion[1])
		}
	}
	text, err := os.ReadFile("Dockerfile")
	if err != nil {
		t.Fatal(err)
	}
	from := regexp.MustCompile(`(?m)^FROM (\S+)`).FindAllStringSubmatch(string(text), -1)
	if len(from) < 2 {
		t.Fatal("the Dockerfile has not several stages")
	}
	for _, f := range from {
		if f[1] != "scratch" && f[1] != "golang:"+string(goVersion[1]) {
			t.Errorf("Dockerfile: FROM %s, go.mod wants golang:%s", f[1], goVersion[1])
		}
	}
	for _, want := range []string{"CGO_ENABLED=0", "go build -trimpath", "\nUSER 65532:65532\n", "\nHEALTHCHECK "} {
		if !strings.Contains(string(text), want) {
			t.Errorf("the Dockerfile has no %q", want)
		}
	}
	for _, m := range regexp.MustCompile(`\./deploy/\S+`).FindAllString(string(text), -1) {
		if _, err := os.Stat(filepath.Join("..", "..", m)); err != nil {
			t.Errorf("Dockerfile: %v", err)
		}
	}
}

func TestEverythingThatComposeNamesIsThere(t *testing.T) {
	c := composed(t)
	usedSecrets, usedVolumes := map[string]bool{}, map[string]bool{}
	for name, s := range c.Services {
		if s.Build != nil {
			text, err := os.ReadFile(filepath.Join(s.Build.Context, s.Build.Dockerfile))
			if err != nil {
				t.Errorf("%s: %v", name, err)
			}
			if s.Build.Target != "" && !strings.Contains(string(text), " AS "+s.Build.Target+"\n") {
				t.Errorf("%s: the Dockerfile has no stage %s", name, s.Build.Target)
			}
			if _, err := os.Stat(filepath.Join(s.Build.Context, "go.mod")); err != nil {
				t.Errorf("%s: the build context is not the module: %v", name, err)
			}
		}
		for _, v := range s.Volumes {
			from, _, _ := strings.Cut(v, ":")
			switch _, named := c.Volumes[from]; {
			case from == "./secrets": // made by keys
			case strings.HasPrefix(from, "."):
				if info, err := os.Stat(from); err != nil || info.IsDir() {
					t.Errorf("%s: volume %s: %v", name, from, err)
				}
			case !named:
				t.Errorf("%s: volume %s is not declared", name, from)
			}
			usedVolumes[from] = true
		}
		for _, n := range s.Secrets {
			var long struct{ Source, Target string }
			secret := n.Value
			if n.Kind == yaml.MappingNode {
				if err := n.Decode(&long); err != nil {
					t.Fatal(err)
				}
				secret = long.Source
			}
			if c.Secrets[secret].File != "./secrets/"+secret {
				t.Errorf("%s: secret %s is in %q", name, secret, c.Secrets[secret].File)
			}
			usedSecrets[secret] = true
		}
		for key, value := range s.Environment {
			if secret, ok := strings.CutPrefix(value, "/run/secrets/"); ok && !slices.ContainsFunc(s.Secrets, func(n yaml.Node) bool { return n.Value == secret }) {
				t.Errorf("%s: %s=%s, and no such secret is given to it", name, key, value)
			}
		}
		for _, n := range s.Networks {
			if _, ok := c.Networks[n]; !ok {
				t.Errorf("%s: network %s is not declared", name, n)
			}
		}
		for on, d := range s.DependsOn {
			other, ok := c.Services[on]
			if !ok || d.Condition == "service_healthy" && other.Healthcheck == nil {
				t.Errorf("%s waits for %s, which is not there or has no health check", name, on)
			}
		}
		if _, setup := map[string]bool{"keys": true, "mongo-init": true, "rigledger": true}[name]; !setup && s.Healthcheck == nil {
			t.Errorf("%s has no health check", name)
		}
		if name != "keys" && !slices.Contains(s.SecurityOpt, "no-new-privileges:true") {
			t.Errorf("%s may gain privileges", name)
		}
	}
	for name := range c.Secrets {
		if !usedSecrets[name] {
			t.Errorf("secret %s is given to nobody", name)
		}
	}
	for name := range c.Volumes {
		if !usedVolumes[name] {
			t.Errorf("volume %s is used by nobody", name)
		}
	}
	if !c.Services["rigledger"].ReadOnly {
		t.Error("rigledger may write outside its volume")
	}
	script, err := os.ReadFile("replica-set.js")
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range regexp.MustCompile(`secret\("([^"]+)"\)`).FindAllStringSubmatch(string(script), -1) {
		if !slices.ContainsFunc(c.Services["mongo-init"].Secrets, func(n yaml.Node) bool { return n.Value == m[1] }) {
			t.Errorf("replica-set.js reads %s, which mongo-init is not given", m[1])
		}
	}
}

func TestPortsAreOpenToThisMachineOnly(t *testing.T) {
	ports := 0
	for name, s := range composed(t).Services {
		for _, p := range s.Ports {
			ports++
			host := p[:max(strings.LastIndex(p, ":"), 0)]
			host = host[:max(strings.LastIndex(host, ":"), 0)]
			if ip := net.ParseIP(host); ip == nil || !ip.IsLoopback() {
				t.Errorf("%s: port %s is open to others", name, p)
			}
		}
	}
	if ports < 3 {
		t.Errorf("%d ports are published, want HTTP, NATS and MQTT", ports)
	}
}

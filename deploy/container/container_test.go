package container_test

import (
	"bytes"
	"debug/elf"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"

	"rigledger/events/intake"
)

// out is where the programs of the images are, built as the Dockerfile does.
var out string

func TestMain(m *testing.M) {
	code := 1
	defer func() { os.Exit(code) }()
	dir, err := os.MkdirTemp("", "rigledger-container-")
	if err != nil {
		panic(err)
	}
	defer os.RemoveAll(dir)
	out = dir
	build := exec.Command("go", "build", "-trimpath", "-o", dir+"/", "rigledger", "rigledger/deploy/container/keys", "rigledger/deploy/container/ready")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	build.Stderr = os.Stderr
	if err := build.Run(); err != nil {
		fmt.Fprintln(os.Stderr, "building what goes into the images:", err)
		return
	}
	code = m.Run()
}

// program runs one of them and gives what it said and its exit code.
func program(t *testing.T, name string, args ...string) (said string, code int) {
	t.Helper()
	text, err := exec.Command(filepath.Join(out, name), args...).CombinedOutput()
	var exit *exec.ExitError
	if err != nil && !errors.As(err, &exit) {
		t.Fatalf("%s: %v", name, err)
	}
	if exit != nil {
		code = exit.ExitCode()
	}
	return string(text), code
}

func TestTheProgramsNeedNothingOfTheImage(t *testing.T) {
	for _, name := range []string{"rigledger", "keys", "ready"} {
		f, err := elf.Open(filepath.Join(out, name))
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		for _, p := range f.Progs {
			if p.Type == elf.PT_INTERP || p.Type == elf.PT_DYNAMIC {
				t.Errorf("%s wants a loader or a library (%v)", name, p.Type)
			}
		}
	}
}

// natsServer starts the NATS server from nats.conf, byte for byte, beside the
// access.conf that keys made; only ports and folder are the test's.
func natsServer(t *testing.T, secrets string) (address, mqttAddress string) {
	t.Helper()
	text, err := os.ReadFile("nats.conf")
	if err != nil {
		t.Fatal(err)
	}
	conf := filepath.Join(secrets, "nats.conf") // access.conf is beside it
	if err := os.WriteFile(conf, text, 0o600); err != nil {
		t.Fatal(err)
	}
	o, err := server.ProcessConfigFile(conf)
	if err != nil {
		t.Fatal(err)
	}
	if o.Port != 4222 || o.MQTT.Port != 1883 || o.HTTPPort != 8222 || o.HTTPHost != "127.0.0.1" || !o.JetStream || o.StoreDir != "/data" {
		t.Errorf("nats.conf: ports %d, %d and %d on %s, store %q", o.Port, o.MQTT.Port, o.HTTPPort, o.HTTPHost, o.StoreDir)
	}
	if o.MaxPayload != intake.MaxMessage {
		t.Errorf("nats.conf: max_payload %d, rigledger's largest message is %d", o.MaxPayload, intake.MaxMessage)
	}
	o.Host, o.Port, o.MQTT.Host, o.MQTT.Port, o.HTTPPort = "127.0.0.1", -1, "127.0.0.1", -1, -1
	o.StoreDir, o.NoSigs, o.NoLog = t.TempDir(), true, true
	ns, err := server.NewServer(o)
	if err != nil {
		t.Fatal(err)
	}
	ns.Start()
	t.Cleanup(func() { ns.Shutdown(); ns.WaitForShutdown() })
	if !ns.ReadyForConnections(10 * time.Second) {
		t.Fatal("the NATS server does not start from nats.conf")
	}
	// What the health check of compose.yaml asks.
	res, err := http.Get("http://" + ns.MonitorAddr().String() + "/healthz")
	if err != nil {
		t.Fatal(err)
	}
	res.Body.Close()
	if res.StatusCode != http.StatusOK {
		t.Errorf("/healthz of NATS: %s", res.Status)
	}
	v, err := ns.Varz(nil)
	if err != nil {
		t.Fatal(err)
	}
	return ns.Addr().String(), fmt.Sprintf("127.0.0.1:%d", v.MQTT.Port)
}

// serve starts the static program as compose.yaml does, by its environment.
func serve(t *testing.T, environment map[string]string) (httpAddress, token string) {
	t.Helper()
	data := environment["RIGLEDGER_DATA"]
	cmd := exec.Command(filepath.Join(out, "rigledger"), "serve")
	cmd.Env = []string{"PATH=/none"}
	for name, value := range environment {
		cmd.Env = append(cmd.Env, name+"="+value)
	}
	said, err := os.Create(filepath.Join(t.TempDir(), "said"))
	if err != nil {
		t.Fatal(err)
	}
	cmd.Stdout, cmd.Stderr = said, said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	t.Cleanup(func() {
		_ = cmd.Process.Signal(os.Interrupt)
		select {
		case err := <-ended:
			if err != nil {
				text, _ := os.ReadFile(said.Name())
				t.Errorf("the service ended with %v\n%s", err, text)
			}
		case <-time.After(30 * time.Second): // stop_grace_period
			_ = cmd.Process.Kill()
			t.Error("the service does not end")
		}
	})
	for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		var a struct{ HTTP string }
		text, err := os.ReadFile(filepath.Join(data, "addresses.json"))
		if err == nil && json.Unmarshal(text, &a) == nil {
			text, err := os.ReadFile(filepath.Join(data, "manager.token"))
			if err != nil {
				t.Fatal(err)
			}
			return a.HTTP, strings.TrimSpace(string(text))
		}
		select {
		case err := <-ended:
			ended <- nil
			text, _ := os.ReadFile(said.Name())
			t.Fatalf("the service did not come up: %v\n%s", err, text)
		default:
		}
		if time.Now().After(deadline) {
			t.Fatal("the service did not come up")
		}
	}
}

func call(t *testing.T, httpAddress, token, path, body string, into any) {
	t.Helper()
	req, err := http.NewRequest("POST", "http://"+httpAddress+path, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	req.Header.Set("Authorization", "Bearer "+token)
	req.Header.Set("Content-Type", "application/json")
	res, err := http.DefaultClient.Do(req)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	var text bytes.Buffer
	_, _ = text.ReadFrom(res.Body)
	if res.StatusCode/100 != 2 {
		t.Fatalf("%s: %s: %s", path, res.Status, &text)
	}
	if into != nil {
		if err := json.Unmarshal(text.Bytes(), into); err != nil {
			t.Fatal(err)
		}
	}
}

// The whole of compose.yaml without its MongoDB: secrets made by keys, the NATS
// server from nats.conf, the static program with the environment of its service.
func TestTheComposedServicesWorkTogether(t *testing.T) {
	secrets := filepath.Join(t.TempDir(), "secrets")
	if said, code := program(t, "keys", secrets); code != 0 {
		t.Fatalf("keys: %s", said)
	}
	natsAddress, mqttAddress := natsServer(t, secrets)
	url, err := os.ReadFile(filepath.Join(secrets, "nats.url"))
	if err != nil {
		t.Fatal(err)
	}
	urlHere := filepath.Join(secrets, "nats.url.here")
	if err := os.WriteFile(urlHere, bytes.Replace(url, []byte("nats:4222"), []byte(natsAddress), 1), 0o600); err != nil {
		t.Fatal(err)
	}

	environment := composed(t).Services["rigledger"].Environment
	for name, here := range map[string]string{
		"RIGLEDGER_DATA": t.TempDir(), "RIGLEDGER_HTTP": "127.0.0.1:0", "RIGLEDGER_TZ": "Europe/Berlin",
		"RIGLEDGER_NATS_URL_FILE": urlHere, "RIGLEDGER_NATS_ISSUER": filepath.Join(secrets, "issuer.nk"),
	} {
		if environment[name] == "" {
			t.Fatalf("compose.yaml does not set %s", name)
		}
		environment[name] = here
	}
	delete(environment, "RIGLEDGER_MONGO_FILE") // SQLite instead
	httpAddress, token := serve(t, environment)

	call(t, httpAddress, token, "/v1/rigs", `{"rig":"C01","name":"Low meadow","class":"trailed","yard":"north","width_m":24,"tank_l":3500,"first_use":"2025-03-01",
		"meters":[{"meter":"pump","quantity":"hours","value":0},{"meter":"area","quantity":"area","value":0}],"plan":"trailed-boom"}`, nil)
	var c, newer struct{ User, Password string }
	call(t, httpAddress, token, "/v1/rigs/C01/credential", "{}", &c)

	rig := asRig(t, natsAddress, c.User, c.Password)
	hears(t, rig, 1)
	m := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + mqttAddress).SetClientID("c01").SetUsername(c.User).SetPassword(c.Password).SetConnectTimeout(5 * time.Second))
	if asked := m.Connect(); !asked.WaitTimeout(10*time.Second) || asked.Error() != nil {
		t.Fatal("MQTT:", asked.Error())
	}
	m.Disconnect(50)
	for name, pair := range map[string][2]string{
		"anonymous": {}, "with a wrong password": {c.User, "guess"}, "as the service with a rig's password": {"rigledger.service", c.Password},
	} {
		nc, err := nats.Connect("nats://"+natsAddress, nats.UserInfo(pair[0], pair[1]), nats.Timeout(20*time.Second))
		if err == nil {
			nc.Close()
		}
		if !errors.Is(err, nats.ErrAuthorization) {
			t.Errorf("%s: %v", name, err)
		}
	}
	_ = rig.Publish("rig.C02.reading", reading(9))
	_ = rig.Flush()
	if err := rig.LastError(); !errors.Is(err, nats.ErrPermissionViolation) {
		t.Errorf("another rig's subject: %v", err)
	}

	call(t, httpAddress, token, "/v1/rigs/C01/credential", "{}", &newer)
	if nc, err := nats.Connect("nats://"+natsAddress, nats.UserInfo(c.User, c.Password), nats.Timeout(20*time.Second)); !errors.Is(err, nats.ErrAuthorization) {
		nc.Close()
		t.Errorf("the replaced password: %v", err)
	}
	hears(t, asRig(t, natsAddress, newer.User, newer.Password), 2)

	// The health check of the image.
	if said, code := program(t, "ready", "http://"+httpAddress+"/readyz"); code != 0 {
		t.Errorf("not ready: %s", said)
	}
	if said, code := program(t, "rigledger", "token", "list", "--data", environment["RIGLEDGER_DATA"]); code != 0 {
		t.Errorf("another command beside the service: %s", said)
	}
}

func asRig(t *testing.T, address, user, password string) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect("nats://"+address, nats.UserInfo(user, password), nats.Timeout(20*time.Second), nats.CustomInboxPrefix(intake.InboxPrefix("C01")),
		nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

func reading(n int) []byte {
	return fmt.Appendf(nil, `{"specversion":"1.0","id":"1:%d","source":"urn:rig:C01","type":"rig.reading.v1","time":%q,"data":{"counters":[{"meter":"pump","value":%d,"unit":"HUR"}]}}`,
		n, time.Now().UTC().Format(time.RFC3339), n)
}

// hears sends reading n and waits until the ledger has it.
func hears(t *testing.T, rig *nats.Conn, n int) {
	t.Helper()
	acks, err := rig.SubscribeSync("rig.C01.ack")
	if err != nil {
		t.Fatal(err)
	}
	if err := rig.Publish("rig.C01.reading", reading(n)); err != nil {
		t.Fatal(err)
	}
	for deadline := time.Now().Add(20 * time.Second); time.Now().Before(deadline); {
		m, err := acks.NextMsg(time.Until(deadline))
		if err != nil {
			t.Fatal("no ack:", err)
		}
		if a, ok := intake.ParseAck(m.Data); ok && a.Seq >= int64(n) {
			return
		}
	}
	t.Fatal("no ack of the reading")
}

func TestKeysAreTheOwnersAloneAndNeverReplaced(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "secrets")
	if said, code := program(t, "keys", dir); code != 0 {
		t.Fatal(said)
	}
	before := map[string]string{}
	for name := range composed(t).Secrets {
		path := filepath.Join(dir, name)
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatalf("compose.yaml wants a secret that keys does not make: %v", err)
		}
		if info, _ := os.Stat(path); info.Mode().Perm() != 0o600 {
			t.Errorf("%s has mode %#o", name, info.Mode().Perm())
		}
		before[name] = string(text)
	}
	made, err := os.ReadDir(dir)
	if err != nil || len(made) != len(before) {
		t.Errorf("keys made %d files, compose.yaml knows %d: %v", len(made), len(before), err)
	}
	if _, _, err := intake.ReadSeeds(filepath.Join(dir, "issuer.nk")); err != nil {
		t.Error(err)
	}
	if err := os.Remove(filepath.Join(dir, "access.conf")); err != nil {
		t.Fatal(err)
	}
	if said, code := program(t, "keys", dir); code != 1 || !strings.Contains(said, "nothing was written") {
		t.Errorf("again: %d %s", code, said)
	}
	if _, err := os.Stat(filepath.Join(dir, "access.conf")); err == nil {
		t.Error("access.conf was made anew beside the old seeds")
	}
	for name, text := range before {
		if now, err := os.ReadFile(filepath.Join(dir, name)); name != "access.conf" && (err != nil || string(now) != text) {
			t.Errorf("%s was replaced", name)
		}
	}
}

func TestTheHealthCheckTellsReadyFromNot(t *testing.T) {
	var status atomic.Int64
	answer := http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		w.WriteHeader(int(status.Load()))
		fmt.Fprint(w, "intake: not connected")
	})
	plain, secure := httptest.NewServer(answer), httptest.NewTLSServer(answer)
	defer plain.Close()
	defer secure.Close()
	for _, url := range []string{plain.URL, secure.URL} {
		status.Store(http.StatusOK)
		if said, code := program(t, "ready", url); code != 0 {
			t.Errorf("%s: %d %s", url, code, said)
		}
		status.Store(http.StatusServiceUnavailable)
		if said, code := program(t, "ready", url); code != 1 || !strings.Contains(said, "503") || !strings.Contains(said, "not connected") {
			t.Errorf("%s: %d %s", url, code, said)
		}
	}
	plain.Close()
	if _, code := program(t, "ready", plain.URL); code != 1 {
		t.Error("nobody there, and ready all the same")
	}
	if _, code := program(t, "ready"); code != 2 {
		t.Error("no URL is not wrong usage")
	}
}

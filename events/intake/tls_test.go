package intake

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"testing"
	"time"

	mqtt "github.com/eclipse/paho.mqtt.golang"
	"github.com/nats-io/nats.go"
)

// certificate writes a self-signed one for 127.0.0.1.
func certificate(t *testing.T) (certFile, keyFile string, trust *x509.CertPool) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	form := &x509.Certificate{SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true}
	der, err := x509.CreateCertificate(rand.Reader, form, form, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	secret, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	text := pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: der})
	os.WriteFile(certFile, text, 0o600)
	os.WriteFile(keyFile, pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: secret}), 0o600)
	trust = x509.NewCertPool()
	trust.AppendCertsFromPEM(text)
	return certFile, keyFile, trust
}

func TestWithACertificateBothListenersSpeakOnlyTLS(t *testing.T) {
	cert, key, trust := certificate(t)
	s, err := StartServer(ServerOptions{Listen: "127.0.0.1:0", MQTT: "127.0.0.1:0", StoreDir: t.TempDir(), Credentials: doors{}, CertFile: cert, KeyFile: key})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Shutdown)
	d := &desk{}
	run(t, newIntake(own(t, s), d)) // inside the process, without TLS
	conf := &tls.Config{RootCAs: trust, MinVersion: tls.VersionTLS12}

	rig := asRig(t, s, "T01", nats.Secure(conf))
	publish(t, rig, "rig.T01.reading", reading("T01", "1:1", 1), "")
	c := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("ssl://" + s.MQTTAddr()).SetClientID("f").SetTLSConfig(conf).SetUsername("user-T02").SetPassword("pw-T02"))
	done(t, c.Connect())
	defer c.Disconnect(100)
	done(t, c.Publish("rig/T02/reading", 1, false, reading("T02", "1:1", 1)))
	eventually(t, "both readings", func() bool { return d.count() == 2 })

	plain := mqtt.NewClient(mqtt.NewClientOptions().AddBroker("tcp://" + s.MQTTAddr()).SetClientID("p").SetUsername("user-T02").SetPassword("pw-T02").SetConnectTimeout(2 * time.Second))
	if token := plain.Connect(); token.WaitTimeout(8*time.Second) && token.Error() == nil {
		plain.Disconnect(0)
		t.Error("MQTT without TLS was let in")
	}
	conn, err := net.Dial("tcp", s.Addr())
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	conn.SetDeadline(time.Now().Add(8 * time.Second))
	conn.Write([]byte("CONNECT {\"user\":\"user-T01\",\"pass\":\"pw-T01\",\"verbose\":true}\r\nPING\r\n"))
	buf := make([]byte, 64<<10)
	var heard []byte
	for {
		n, err := conn.Read(buf)
		heard = append(heard, buf[:n]...)
		if err != nil {
			break
		}
	}
	if string(heard) == "" || bytes.Contains(heard, []byte("PONG")) || bytes.Contains(heard, []byte("+OK")) {
		t.Errorf("NATS without TLS was answered: %q", heard)
	}
}

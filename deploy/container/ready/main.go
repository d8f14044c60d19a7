// Command ready asks a URL, such as rigledger's /readyz, and ends with 0 when the
// answer is 200: the health check of an image that has no shell and no curl.
package main

import (
	"context"
	"crypto/tls"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"time"
)

func main() {
	if len(os.Args) != 2 {
		fmt.Fprintln(os.Stderr, "ready URL")
		os.Exit(2)
	}
	if err := ask(os.Args[1]); err != nil {
		fmt.Fprintf(os.Stderr, "ready: %v\n", err)
		os.Exit(1)
	}
}

func ask(address string) error {
	u, err := url.Parse(address)
	if err != nil {
		return err
	}
	ip := net.ParseIP(u.Hostname())
	// The certificate of a service is for its public name, not for 127.0.0.1.
	loopback := ip != nil && ip.IsLoopback()
	client := &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{InsecureSkipVerify: loopback}}}
	ctx, cancel := context.WithTimeout(context.Background(), 4*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, address, nil)
	if err != nil {
		return err
	}
	res, err := client.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if res.StatusCode != http.StatusOK {
		// Docker keeps what is written here: it names what is not ready.
		text, _ := io.ReadAll(io.LimitReader(res.Body, 2<<10))
		return fmt.Errorf("%s: %s", res.Status, text)
	}
	return nil
}

package hooks

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"strings"
)

// sign gives the header webhook-signature: for each secret "v1," and the base64
// of HMAC-SHA256 over "{id}.{timestamp}.{body}", separated by spaces (Standard
// Webhooks 1.0.0). A secret is "whsec_" and the base64 of the key.
func sign(secrets []string, id, timestamp string, body []byte) string {
	var all []string
	for _, s := range secrets {
		key, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(s, "whsec_"))
		if err != nil {
			continue // never: we made it
		}
		mac := hmac.New(sha256.New, key)
		mac.Write([]byte(id + "." + timestamp + "."))
		mac.Write(body)
		all = append(all, "v1,"+base64.StdEncoding.EncodeToString(mac.Sum(nil)))
	}
	return strings.Join(all, " ")
}

package bay

import (
	"net/http"
	"time"

	"rigledger/api/call"
	"rigledger/events"
	"rigledger/fleet"
	"rigledger/fleet/plan"
)

// certificateDoc is a certificate, in a list or by itself.
type certificateDoc struct {
	events.CertificateIssued
	Yard      string         `json:"yard"`
	At        time.Time      `json:"at"`
	By        string         `json:"by"`
	Commit    uint64         `json:"commit"`
	Recorded  time.Time      `json:"recorded"`
	Withdrawn *withdrawalDoc `json:"withdrawn,omitempty"`
}

type withdrawalDoc struct {
	At     time.Time `json:"at"`
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	Commit uint64    `json:"commit"`
}

func certificateDocOf(s *fleet.State, z *fleet.Certificate) certificateDoc {
	d := certificateDoc{
		CertificateIssued: z.CertificateIssued, Yard: s.Rigs[z.Rig].Yard, At: z.At.UTC(), By: z.By, Commit: z.N, Recorded: z.Recorded.UTC(),
	}
	if w := z.Withdrawn; w != nil {
		d.Withdrawn = &withdrawalDoc{At: w.At.UTC(), By: w.By, Reason: w.Reason, Commit: w.N}
	}
	return d
}

// GetCertificates answers GET /v1/certificates.
func GetCertificates(c *call.Call) error {
	return ofRigs(c, "certificates", certificateSorts, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Certificate) {
		for _, id := range r.Bay.Certificates {
			out = append(out, s.Bay.Certificates[id])
		}
		return out
	}, certificatePlace, certificateDocOf)
}

func seenCertificate(c *call.Call, s *fleet.State, id string) (*fleet.Certificate, error) {
	z := s.Bay.Certificates[id]
	if z == nil || !c.Sees(s.Rigs[z.Rig]) {
		return nil, call.NoSuch("certificate", id)
	}
	return z, nil
}

// GetCertificate answers GET /v1/certificates/{certificate}.
func GetCertificate(c *call.Call) error {
	return certificateAnswer(c, http.StatusOK, c.Param("certificate"))
}

func certificateAnswer(c *call.Call, status int, id string) error {
	var doc certificateDoc
	var tag string
	err := c.View(func(s *fleet.State) error {
		z, err := seenCertificate(c, s, id)
		if err == nil {
			doc, tag = certificateDocOf(s, z), call.Tag(z.N, call.NoDate, s.Rigs[z.Rig].Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	return c.Resource(status, tag, doc)
}

// PostCertificate answers POST /v1/certificates.
func PostCertificate(c *call.Call) error {
	cmd := fleet.IssueCertificate{ID: fleet.NewCertificateID()}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	status, id, err := c.Create(&cmd, &cmd.Rig, "/v1/certificates", cmd.ID)
	if err != nil {
		return err
	}
	return certificateAnswer(c, status, id)
}

// WithdrawCertificate answers POST /v1/certificates/{certificate}/withdraw.
func WithdrawCertificate(c *call.Call) error {
	cmd := fleet.WithdrawCertificate{Certificate: c.Param("certificate")}
	may := func(s *fleet.State) error {
		_, err := seenCertificate(c, s, cmd.Certificate)
		return err
	}
	if err := c.View(may); err != nil {
		return err
	}
	if err := c.Body(&cmd); err != nil {
		return err
	}
	d, err := c.Do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return certificateAnswer(c, d.Status, cmd.Certificate)
}

// Orders of the list, the usual one first.
var certificateSorts = []string{"recorded", "expires", "rig"}

func certificatePlace(z *fleet.Certificate, order string) call.Place {
	switch order {
	case "expires":
		date, _ := plan.ParseDate(z.Expires)
		return call.Place{N: call.Day(date), ID: z.Certificate}
	case "rig":
		return call.ByRig(z.Rig, z.Certificate)
	}
	return call.Place{N: z.N, ID: z.Certificate}
}

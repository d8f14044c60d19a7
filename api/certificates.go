package api

import (
	"net/http"
	"time"

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

func getCertificates(c *call) error {
	return ofRigs(c, "certificates", certificateSorts, func(s *fleet.State, r *fleet.Rig) (out []*fleet.Certificate) {
		for _, id := range r.Bay.Certificates {
			out = append(out, s.Bay.Certificates[id])
		}
		return out
	}, certificatePlace, certificateDocOf)
}

func seenCertificate(c *call, s *fleet.State, id string) (*fleet.Certificate, error) {
	z := s.Bay.Certificates[id]
	if z == nil || !c.sees(s.Rigs[z.Rig]) {
		return nil, notFound("certificate", id)
	}
	return z, nil
}

func getCertificate(c *call) error {
	return certificateAnswer(c, http.StatusOK, c.Param("certificate"))
}

func certificateAnswer(c *call, status int, id string) error {
	var doc certificateDoc
	var tag string
	err := c.view(func(s *fleet.State) error {
		z, err := seenCertificate(c, s, id)
		if err == nil {
			doc, tag = certificateDocOf(s, z), tagOf(z.N, noDate, s.Rigs[z.Rig].Changed)
		}
		return err
	})
	if err != nil {
		return err
	}
	return c.resource(status, tag, doc)
}

func postCertificate(c *call) error {
	cmd := fleet.IssueCertificate{ID: fleet.NewCertificateID()}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusCreated, c.mayNamed(&cmd.Rig))
	if err != nil {
		return err
	}
	id := cmd.ID
	if d.replayed {
		id = d.ref
	}
	c.setHeader("Location", "/v1/certificates/"+id)
	return certificateAnswer(c, d.status, id)
}

func withdrawCertificate(c *call) error {
	cmd := fleet.WithdrawCertificate{Certificate: c.Param("certificate")}
	may := func(s *fleet.State) error {
		_, err := seenCertificate(c, s, cmd.Certificate)
		return err
	}
	if err := c.view(may); err != nil {
		return err
	}
	if err := c.body(&cmd); err != nil {
		return err
	}
	d, err := c.do(&cmd, http.StatusOK, may)
	if err != nil {
		return err
	}
	return certificateAnswer(c, d.status, cmd.Certificate)
}

// Orders of the list, the usual one first.
var certificateSorts = []string{"recorded", "expires", "rig"}

func certificatePlace(z *fleet.Certificate, order string) place {
	switch order {
	case "expires":
		date, _ := plan.ParseDate(z.Expires)
		return place{onDay(date), z.Certificate}
	case "rig":
		return byRig(z.Rig, z.Certificate)
	}
	return place{z.N, z.Certificate}
}

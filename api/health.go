package api

import (
	"errors"
	"net/http"

	"github.com/gin-gonic/gin"

	"rigledger/api/call"
)

type healthDoc struct {
	Status  string `json:"status"`
	Version string `json:"version,omitempty"`
}

// healthz says that the program runs and answers.
func (a *API) healthz(g *gin.Context) {
	g.JSON(http.StatusOK, healthDoc{Status: "up", Version: a.version})
}

type readyDoc struct {
	Ready  bool       `json:"ready"`
	Checks []checkDoc `json:"checks"`
}

type checkDoc struct {
	Check  string `json:"check"`
	OK     bool   `json:"ok"`
	Minor  bool   `json:"minor,omitempty"` // the service is ready without it
	Detail string `json:"detail,omitempty"`
}

// readyz says whether the service can do its work: 503 when something that it
// needs does not work, with the name of it.
func (a *API) readyz(g *gin.Context) {
	checks := []Check{{Name: "ledger", Err: a.fleet.Ready()}}
	if a.ready != nil {
		checks = append(checks, a.ready()...)
	}
	if i := a.bearers.Issuer; i != nil {
		issuer := Check{Name: "OpenID Connect issuer", Minor: true}
		if i.Ready() != nil { // what it says holds addresses, and anybody may ask here; the log has it
			issuer.Err = errors.New("cannot be asked for its keys; its tokens are refused")
		}
		checks = append(checks, issuer)
	}
	doc := readyDoc{Ready: true, Checks: make([]checkDoc, 0, len(checks))}
	for _, c := range checks {
		line := checkDoc{Check: c.Name, OK: c.Err == nil, Minor: c.Minor}
		if c.Err != nil {
			doc.Ready = doc.Ready && c.Minor
			line.Detail = c.Err.Error()
		}
		doc.Checks = append(doc.Checks, line)
	}
	status := http.StatusOK
	if !doc.Ready {
		status = http.StatusServiceUnavailable
		g.Header("Retry-After", "5")
	}
	call.SetCommit(g.Writer.Header(), a.fleet.Head().N)
	g.Header("Cache-Control", "no-store")
	g.JSON(status, doc)
}

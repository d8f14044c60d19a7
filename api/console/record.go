package console

import (
	"bytes"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"time"

	"rigledger/events"
	"rigledger/fleet"
)

// recordPage is a record as a page to print: the same data as its JSON.
type recordPage struct {
	frame
	R    *fleet.Record
	JSON string // where the same is to be had as JSON, to be verified
	zone *time.Location
}

// Time writes a time in the fleet's zone, which the record names.
func (p recordPage) Time(t time.Time) string { return t.In(p.zone).Format("2006-01-02 15:04:05 MST") }

// Number writes a reading with at most four decimals, as on the sheet.
func (p recordPage) Number(x any) string {
	switch v := x.(type) {
	case float64:
		return strings.TrimSuffix(strings.TrimRight(strconv.FormatFloat(v, 'f', 4, 64), "0"), ".")
	case *float64:
		if v != nil {
			return p.Number(*v)
		}
	}
	return "–"
}

// Sheet is what was entered at the bay, as the record's own facts hold it.
func (p recordPage) Sheet() string {
	for _, l := range p.R.Facts {
		if f, ok := l.Entry.Fact.(*events.InspectionJudged); ok && f.Inspection == p.R.ID {
			return f.Sheet
		}
	}
	return ""
}

// Words writes an outcome in words.
func (p recordPage) Words(outcome string) string { return strings.ReplaceAll(outcome, "_", " ") }

// What says what a fact is about, for the list of facts.
func (p recordPage) What(f events.Fact) string {
	switch f := f.(type) {
	case *events.InspectionJudged:
		return f.Inspection + ": " + p.Words(f.Outcome)
	case *events.CalibrationMade:
		return f.Calibration + ": " + p.Words(f.Outcome)
	case *events.CertificateIssued:
		return "certificate " + f.Number
	case *events.CertificateWithdrawn:
		return f.Certificate + ": " + f.Reason
	case *events.DefectReported:
		return f.Text
	case *events.DefectCleared:
		return f.Defect + ": " + f.Action
	case *events.ItemStarted:
		return f.Item
	case *events.ItemFinished:
		return f.Item
	case *events.ItemDeferred:
		return f.Item + ": " + f.Reason
	case *events.ItemStruck:
		return f.Item + ": " + f.Reason
	case *events.HandoverSigned:
		return "signed by " + f.Signed + ", last products: " + strings.Join(f.Products, ", ")
	case *events.PartFitted:
		return f.Name + " (" + f.Part + ")"
	case *events.PartRemoved:
		return f.Part + ": " + f.Reason
	case *events.RigPlaced:
		return f.Place
	}
	return ""
}

// record shows a record of a kind; the last step but one of the path is its id.
func (c *Console) record(of string) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		who, token, ok := c.session(r)
		if !ok {
			c.askToSignIn(w, r, http.StatusOK, "")
			return
		}
		steps := strings.Split(r.URL.Path, "/")
		id := steps[len(steps)-2]
		unseen := &fleet.Error{Code: fleet.NotFound, Message: "there is no such record"}
		if who.Role == fleet.RoleOperator {
			http.Error(w, "The role operator does not go here.", http.StatusForbidden)
			return
		}
		made, err := c.fleet.Record(r.Context(), of, id, func(rig *fleet.Rig) error {
			if !who.MaySee(rig.Yard) {
				return unseen
			}
			return nil
		})
		var known *fleet.Error
		switch {
		case errors.As(err, &known) && known.Code == fleet.NotFound:
			http.Error(w, "There is no such record.", http.StatusNotFound)
			return
		case err != nil:
			c.log.Error("a record could not be made", "of", of, "error", err)
			http.Error(w, "The record could not be made.", http.StatusServiceUnavailable)
			return
		}
		p := recordPage{R: made, JSON: "/v1" + r.URL.Path}
		p.Title, p.Name, p.Form, p.Version, p.Notice = "Record of "+id, who.Name, formToken(token), c.version, fleet.FitnessNotice
		c.fleet.View(func(s *fleet.State) { p.zone = s.Zone() })
		var b bytes.Buffer
		if err := pages.ExecuteTemplate(&b, "record.html", p); err != nil {
			c.log.Error("a page could not be made", "page", "record.html", "error", err)
			http.Error(w, "the page could not be made", http.StatusInternalServerError)
			return
		}
		h := w.Header()
		h.Set("Content-Type", "text/html; charset=utf-8")
		h.Set("Content-Security-Policy", policy)
		h.Set("Cache-Control", "no-store")
		_, _ = w.Write(b.Bytes())
	}
}

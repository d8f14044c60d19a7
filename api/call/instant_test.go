package call_test

import (
	"net/http"
	"testing"

	"rigledger/api/apitest"
	"rigledger/api/call"
)

func TestTimesAreThoseOfRFC3339(t *testing.T) {
	for text, want := range map[string]bool{
		"2026-11-28T03:00:00Z": true, "2026-11-28T03:00:00.5Z": true, "2026-11-28T03:00:00+02:00": true, "2026-11-28T03:00:00.123456789-23:59": true,
		"2026-11-28T03:00:00,5Z": false, "2026-11-28T03:00:00+24:00": false, "2026-11-28T03:00:00-25:30": false, "2026-11-28T03:00:00+02:60": false,
		"2026-11-28T03:00Z": false, "2026-11-28 03:00:00Z": false, "": false, "Z": false,
	} {
		if _, err := call.ParseTime(text); (err == nil) != want {
			t.Errorf("%q: %v", text, err)
		}
	}
	h := apitest.New(t)
	h.Register("T01", "north")
	for _, odd := range []string{"2026-05-04T03:00:00,5Z", "2026-05-04T03:00:00+24:00"} {
		h.Send("manager", "POST", "/v1/rigs/T01/parts/T01-pump/remove", apitest.Obj{"reason": "worn", "at": odd}).Is(422).Has("/errors/0/pointer", "/at")
	}
	h.Send("manager", "GET", "/v1/rigs/T01/readings?from=2026-05-04T03:00:00,5Z", nil).Is(422).Has("/errors/0/parameter", "from")
	h.Send("manager", "GET", "/v1/exchange/fleet/equipment/T01/CumulativeArea/2026-05-04T03:00:00,5Z/2026-05-05/1", nil).Is(400)
}

func TestACodedBodyIsRefusedAsWhatItIs(t *testing.T) {
	h := apitest.New(t)
	for path, kind := range map[string]string{"/v1/rigs": "application/json", "/v1/exchange/taskdata": "application/zip", "/v1/exchange/fleet": "application/xml"} {
		a := h.Send("manager", "POST", path, []byte("\x1f\x8b\x08"), "Content-Type", kind, "Content-Encoding", "gzip").Is(415).Has("/type", "/problems/media-type")
		if got := a.Header.Get("Accept-Encoding"); got != "identity" {
			t.Errorf("%s: takes %q", path, got)
		}
	}
}

func TestAMethodThatDoesNotGoIsToldAllThatDo(t *testing.T) {
	h := apitest.New(t)
	r, _ := http.NewRequest("OPTIONS", h.URL+"/v1/rigs/T01", nil)
	a, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	a.Body.Close()
	asked := a.Header.Get("Allow")
	refused := h.Send("manager", "DELETE", "/v1/rigs/T01", nil).Is(405).Header.Get("Allow")
	if asked != refused || asked != "GET, PATCH, HEAD, OPTIONS" {
		t.Errorf("OPTIONS says %q, 405 says %q", asked, refused)
	}
}

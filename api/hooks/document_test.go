package hooks_test

import (
	"bufio"
	"context"
	"io"
	"net/http"
	"net/http/httptest"
	"testing"

	"github.com/pb33f/libopenapi"
	"github.com/pb33f/libopenapi-validator/config"
	"github.com/pb33f/libopenapi-validator/schema_validation"

	"rigledger/api/apitest"
	"rigledger/api/document"
	"rigledger/api/feed"
	"rigledger/api/hooks"
	"rigledger/fleet"
)

// What is sent to hooks and on live streams is in no answer that the other tests
// validate; it must hold to the document all the same.
func TestSentFactsHoldToTheDocument(t *testing.T) {
	doc, err := libopenapi.NewDocument(document.OpenAPI)
	if err != nil {
		t.Fatal(err)
	}
	model, err := doc.BuildV3Model()
	if err != nil {
		t.Fatal(err)
	}
	message := model.Model.Webhooks.GetOrZero("fact").Post.RequestBody.Content.GetOrZero("application/json").Schema.Schema()
	fact := model.Model.Components.Schemas.GetOrZero("FeedFact").Schema()
	v := schema_validation.NewSchemaValidator(config.WithFormatAssertions())
	if ok, _ := v.ValidateSchemaBytes(message, []byte(`{"type":"x","timestamp":"soon","data":{}}`)); ok {
		t.Fatal("the document takes anything")
	}

	h := apitest.New(t)
	h.Register("T01", "north")
	taken := make(chan []byte, 10)
	office := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		taken <- body
		for _, name := range []string{"webhook-id", "webhook-timestamp", "webhook-signature"} {
			if r.Header.Get(name) == "" {
				t.Errorf("no %s", name)
			}
		}
	}))
	defer office.Close()
	w := hooks.New(hooks.Options{Feed: &feed.Reader{Fleet: h.Fleet}, Private: true})
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); _ = w.Run(ctx) }()
	defer func() { stop(); <-ended }()
	cmd, _ := fleet.NewHook()
	cmd.Name, cmd.URL = "office", office.URL
	h.Do(cmd)
	stream := bufio.NewReader(apitest.Follow(t, h.URL, h.Tokens["reader"], "", "0").Body)

	h.Report("T01", "hose rubs")
	h.Send("manager", "POST", "/v1/rigs/T01/parts", apitest.Obj{"position": "mirror", "kind": "mirror"}).Is(201)
	h.Fleet.View(func(s *fleet.State) {
		hook := *s.Hooks[cmd.ID()]
		go w.Test(ctx, hook)
	})
	for range 3 {
		body := <-taken
		if ok, errs := v.ValidateSchemaBytes(message, body); !ok {
			t.Errorf("%s: %v", body, errs)
		}
	}
	for last := h.AllFacts(1); ; {
		e, err := apitest.NextEvent(stream)
		if err != nil {
			t.Fatal(err)
		}
		if e.Name == "" {
			continue
		}
		if ok, errs := v.ValidateSchemaBytes(fact, []byte(e.Data)); !ok {
			t.Errorf("%s: %v", e.Data, errs)
		}
		if e.ID == last[len(last)-1] {
			break
		}
	}
}

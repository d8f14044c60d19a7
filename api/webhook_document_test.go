package api

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

	"rigledger/api/hooks"
	"rigledger/fleet"
)

// What is sent to hooks and on live streams is in no answer that the other tests
// validate; it must hold to the document all the same.
func TestSentFactsHoldToTheDocument(t *testing.T) {
	doc, err := libopenapi.NewDocument(openapiText)
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

	h := newHouse(t)
	h.register("T01", "north")
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
	w := hooks.New(hooks.Options{Feed: NewFeed(h.fleet), Private: true})
	ctx, stop := context.WithCancel(context.Background())
	ended := make(chan struct{})
	go func() { defer close(ended); _ = w.Run(ctx) }()
	defer func() { stop(); <-ended }()
	cmd, _ := fleet.NewHook()
	cmd.Name, cmd.URL = "office", office.URL
	h.do(cmd)
	stream := bufio.NewReader(follow(t, h.url, h.tokens["reader"], "", "0").Body)

	h.report("T01", "hose rubs")
	h.send("manager", "POST", "/v1/rigs/T01/parts", obj{"position": "mirror", "kind": "mirror"}).is(201)
	h.fleet.View(func(s *fleet.State) {
		hook := *s.Hooks[cmd.ID()]
		go w.Test(ctx, hook)
	})
	for range 3 {
		body := <-taken
		if ok, errs := v.ValidateSchemaBytes(message, body); !ok {
			t.Errorf("%s: %v", body, errs)
		}
	}
	for last := h.allFacts(1); ; {
		e, err := nextEvent(stream)
		if err != nil {
			t.Fatal(err)
		}
		if e.name == "" {
			continue
		}
		if ok, errs := v.ValidateSchemaBytes(fact, []byte(e.data)); !ok {
			t.Errorf("%s: %v", e.data, errs)
		}
		if e.id == last[len(last)-1] {
			break
		}
	}
}

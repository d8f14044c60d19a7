package demo

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
)

// office is the contractor's people at the REST API, with nothing but its
// address and a token.
type office struct {
	base  string
	token string
	http  http.Client
}

// call makes one request; in is sent as JSON unless nil, out filled from the
// answer unless nil. An answer of 400 or more is an error with its problem text.
func (o *office) call(ctx context.Context, method, path string, in, out any) error {
	var body io.Reader
	if in != nil {
		text, err := json.Marshal(in)
		if err != nil {
			return err
		}
		body = bytes.NewReader(text)
	}
	req, err := http.NewRequestWithContext(ctx, method, o.base+path, body)
	if err != nil {
		return err
	}
	req.Header.Set("Authorization", "Bearer "+o.token)
	if in != nil {
		req.Header.Set("Content-Type", "application/json")
	}
	res, err := o.http.Do(req)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(res.Body)
	if err != nil {
		return err
	}
	if res.StatusCode >= 400 {
		return fmt.Errorf("%s %s: %w with %s: %s", method, path, errRefused, res.Status, text)
	}
	if out != nil {
		return json.Unmarshal(text, out)
	}
	return nil
}

// item is a service item as the API shows it, as far as the demo reads it.
type item struct {
	Item      string         `json:"item"`
	Rig       string         `json:"rig"`
	Yard      string         `json:"yard"`
	Part      string         `json:"part"`
	Name      string         `json:"name"`
	Task      string         `json:"task"`
	Title     string         `json:"title"`
	Weight    string         `json:"weight"`
	Status    string         `json:"status"`
	Stage     string         `json:"stage"`
	Why       string         `json:"why"`
	Due       map[string]any `json:"due"`
	Remaining map[string]any `json:"remaining"`
	Minutes   int            `json:"minutes"`
}

// items reads a whole list, page by page.
func (o *office) items(ctx context.Context, query string) ([]item, error) {
	var all []item
	cursor := ""
	for {
		var page struct {
			Items []item `json:"items"`
			Next  string `json:"next"`
		}
		path := "/v1/items?limit=500&" + query
		if cursor != "" {
			path += "&cursor=" + url.QueryEscape(cursor)
		}
		if err := o.call(ctx, http.MethodGet, path, nil, &page); err != nil {
			return nil, err
		}
		all = append(all, page.Items...)
		if cursor = page.Next; cursor == "" {
			return all, nil
		}
	}
}

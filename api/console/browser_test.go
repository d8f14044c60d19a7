package console_test

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
)

// The browser is started once for all tests, with what it would ask of the world
// left out. A test takes a tab of its own with its own cookies.
var theBrowser = sync.OnceValues(func() (context.Context, error) {
	path := os.Getenv("RIGLEDGER_TEST_CHROMIUM")
	for _, name := range []string{"chromium", "chromium-browser"} {
		if path == "" {
			path, _ = exec.LookPath(name)
		}
	}
	if path == "" {
		return nil, errors.New("there is no Chromium here; RIGLEDGER_TEST_CHROMIUM may name it")
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-sync", true),
		chromedp.Flag("lang", "en-GB"), chromedp.WSURLReadTimeout(time.Minute))
	root, stop := chromedp.NewExecAllocator(context.Background(), options...)
	browser, _ := chromedp.NewContext(root)
	if err := chromedp.Do(browser); err != nil {
		stop()
		return nil, fmt.Errorf("starting %s: %w", path, err)
	}
	stopBrowser = func() {
		_ = chromedp.Cancel(browser)
		stop()
	}
	return browser, nil
})

var stopBrowser = func() {}

func TestMain(m *testing.M) {
	code := m.Run()
	stopBrowser()
	os.Exit(code)
}

// tab is one person at a browser. When the test ends, nothing may have been
// written to the console and no request may have left the host.
type tab struct {
	t   testing.TB
	h   *house
	ctx context.Context

	mu    sync.Mutex
	noise []string
}

// open starts a tab, signs in and goes to a page.
func (h *house) open(as, path string) *tab {
	h.t.Helper()
	root, err := theBrowser()
	if err != nil {
		if os.Getenv("CI") != "" {
			h.t.Fatal(err)
		}
		h.t.Skip(err)
	}
	ctx, closeTab := chromedp.NewContext(root, chromedp.WithNewBrowserContext())
	ctx, stop := context.WithTimeout(ctx, 10*time.Minute)
	b := &tab{t: h.t, h: h, ctx: ctx}
	h.t.Cleanup(func() {
		h.t.Helper()
		b.quiet()
		stop()
		closeTab()
	})
	// The first step makes the tab, which then lives as long as the context it was given.
	if err := chromedp.Do(ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		return errors.Join(call(ctx, t, network.Enable, network.EnableParams{}), call(ctx, t, runtime.Enable, cdp.Empty{}))
	})); err != nil {
		h.t.Fatal(err)
	}
	if err := chromedp.Listen(ctx, b.hear); err != nil {
		h.t.Fatal(err)
	}
	go func() {
		for m, err := range chromedp.Console(ctx) {
			if err != nil {
				return
			}
			if m.IsException() || m.Type == "error" || m.Type == "warning" {
				b.note("console: " + m.String())
			}
		}
	}()
	if as != "" {
		b.must(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			host, _ := url.Parse(h.url)
			yes := true
			return call(ctx, t, network.SetCookie, network.SetCookieParams{
				Name: "rigledger", Value: h.tokens[as], Domain: host.Hostname(), Path: "/", HTTPOnly: &yes, SameSite: network.CookieSameSiteStrict,
			})
		}))
	}
	b.size(1440, 900, "light")
	b.goTo(path)
	return b
}

func call[P, R any](ctx context.Context, t cdp.Session, cmd cdp.Command[P, R], params P) error {
	_, err := cdp.Call(ctx, t, cmd, params)
	return err
}

func (b *tab) note(what string) {
	b.mu.Lock()
	defer b.mu.Unlock()
	b.noise = append(b.noise, what)
}

// hear watches which hosts the pages ask.
func (b *tab) hear(event any) {
	if sent, ok := event.(*network.EventRequestWillBeSent); ok {
		at := sent.Request.URL
		if !strings.HasPrefix(at, b.h.url) && !strings.HasPrefix(at, "about:") && !strings.HasPrefix(at, "data:") {
			b.note("a request left the host: " + at)
		}
	}
}

// quiet fails the test if there was noise so far.
func (b *tab) quiet() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	for _, n := range b.noise {
		b.t.Error(n)
	}
	b.noise = nil
}

func (b *tab) must(steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, stop := context.WithTimeout(b.ctx, time.Minute)
	defer stop()
	if err := chromedp.Do(ctx, steps...); err != nil {
		text, _ := chromedp.Run(b.ctx, chromedp.Evaluate[string](`location.pathname + "\n" + document.body.innerText.slice(0, 3000)`))
		b.t.Fatalf("%v on the page %s", err, text)
	}
}

// goTo opens a page.
func (b *tab) goTo(path string) {
	b.t.Helper()
	b.must(chromedp.Navigate(b.h.url + path))
}

// click clicks on what a CSS selector finds first.
func (b *tab) click(selector string) {
	b.t.Helper()
	b.must(chromedp.Click(chromedp.CSS(selector)))
}

// press clicks the first button or link that has this text.
func (b *tab) press(text string) {
	b.t.Helper()
	mark := fmt.Sprintf(`(() => { for (const e of document.querySelectorAll("main button, main a, main summary, nav a, header button")) if (e.textContent.replace(/\s+/g, " ").trim() === %q && e.offsetParent !== null) { e.dataset.press = "here"; return true } return false })()`, text)
	b.until(mark, "a button or link "+text)
	b.must(chromedp.Click(chromedp.CSS("[data-press=here]")))
	_, _ = chromedp.Run(b.ctx, chromedp.Evaluate[bool](`(() => { for (const e of document.querySelectorAll("[data-press]")) delete e.dataset.press; return true })()`))
}

// type_ writes into a field as a person does.
func (b *tab) type_(selector, text string) {
	b.t.Helper()
	b.must(chromedp.Focus(chromedp.CSS(selector)), chromedp.SendKeys(chromedp.CSS(selector), text))
}

// set puts a value into a field: dates and choices, which have widgets of the browser's own.
func (b *tab) set(selector, value string) {
	b.t.Helper()
	b.eval(fmt.Sprintf(`(() => { const e = document.querySelector(%q); e.value = %q; e.dispatchEvent(new Event("input", {bubbles: true})); e.dispatchEvent(new Event("change", {bubbles: true})); return true })()`, selector, value))
}

// text gives the visible text of what a selector finds first.
func (b *tab) text(selector string) string {
	b.t.Helper()
	got, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](fmt.Sprintf(`document.querySelector(%q)?.innerText ?? ""`, selector)))
	if err != nil {
		b.t.Fatal(err)
	}
	return got
}

// eval runs an expression that gives true or false.
func (b *tab) eval(expression string) bool {
	b.t.Helper()
	got, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](expression))
	if err != nil {
		b.t.Fatalf("%s: %v", expression, err)
	}
	return got
}

// until waits for an expression to become true.
func (b *tab) until(expression, what string) {
	b.t.Helper()
	for end := time.Now().Add(40 * time.Second); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		got, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool](expression))
		if err == nil && got {
			return
		}
	}
	b.t.Fatalf("waited in vain for %s on the page %s\n%s", what, b.text("title"), b.text("body"))
}

// sees waits for a text on the page.
func (b *tab) sees(text string) {
	b.t.Helper()
	b.until(fmt.Sprintf(`document.body.innerText.replace(/\s+/g, " ").includes(%q)`, text), fmt.Sprintf("%q", text))
}

// key presses keys as a person without a mouse does.
func (b *tab) key(keys string) {
	b.t.Helper()
	b.must(chromedp.KeyEvent(keys))
}

// size sets the window and the theme, light or dark.
func (b *tab) size(width, height int64, theme string) {
	b.t.Helper()
	b.must(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		if err := call(ctx, t, emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{Width: width, Height: height, DeviceScaleFactor: 1}); err != nil {
			return err
		}
		return call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
			Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: theme}, {Name: "prefers-reduced-motion", Value: "reduce"}},
		})
	}))
}

// shot keeps a picture of the whole page in the folder that RIGLEDGER_SHOTS
// names, for people to look at; without it, none is taken.
func (b *tab) shot(name string) {
	b.t.Helper()
	dir := os.Getenv("RIGLEDGER_SHOTS")
	if dir == "" {
		return
	}
	picture, err := chromedp.Run(b.ctx, chromedp.FullScreenshot(100))
	if err != nil {
		b.t.Fatal(err)
	}
	b.keep(dir, name+".png", picture)
}

// print keeps the page as it would be printed, likewise, and counts its sheets.
func (b *tab) print(name string) (sheets int) {
	b.t.Helper()
	pdf, err := chromedp.Run(b.ctx, chromedp.PrintToPDF(chromedp.PDFPreferCSSPageSize()))
	if err != nil {
		b.t.Fatal(err)
	}
	if len(pdf) < 1000 {
		b.t.Errorf("the print of %s has %d bytes", name, len(pdf))
	}
	if dir := os.Getenv("RIGLEDGER_SHOTS"); dir != "" {
		b.keep(dir, name+".pdf", pdf)
	}
	return len(printedSheet.FindAll(pdf, -1))
}

// printedSheet is the beginning of a page in a PDF (ISO 32000).
var printedSheet = regexp.MustCompile(`/Type\s*/Page\b`)

// onPaper shows the page as it is printed.
func (b *tab) onPaper() {
	b.t.Helper()
	b.must(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		return call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"})
	}))
}

func (b *tab) keep(dir, name string, content []byte) {
	b.t.Helper()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		b.t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, name), content, 0o644); err != nil {
		b.t.Fatal(err)
	}
}

// looks takes the page's pictures at the three widths, in both themes, and its print.
func (b *tab) looks(name string) {
	b.t.Helper()
	for _, width := range []int64{390, 820, 1440} {
		for _, theme := range []string{"light", "dark"} {
			b.size(width, 900, theme)
			if !b.eval("document.documentElement.scrollWidth <= innerWidth") {
				b.t.Errorf("%s scrolls sideways at %d px", name, width)
			}
			b.shot(fmt.Sprintf("%s-%d-%s", name, width, theme))
		}
	}
	b.size(1440, 900, "light")
	b.print(name)
}

package console_test

import (
"encoding/json"
"strings"
"testing"
"github.com/chromedp/chromedp"
)

func TestZZYardAxe(t *testing.T) {
	h := aBusyFleet(t)
	script := axe(t)
	paths := []string{"/", "/?sort=hours", "/find?q=T0", "/find", "/start", "/start?class=trailed", "/start/T01", "/start/T03"}
	b := h.open("manager", "/")
	for _, path := range paths {
		b.goTo(path); b.size(390, 900, "light"); if !b.eval("document.documentElement.scrollWidth <= innerWidth") { t.Error(path, "is too wide") }; b.size(1440, 900, "light"); b.shot("busy" + strings.NewReplacer("/", "-", "?", "_").Replace(path))
		for _, theme := range []string{"light", "dark"} {
			b.size(820, 1100, theme)
			b.eval(script + "; true")
			found, err := chromedp.Run(b.ctx, chromedp.Evaluate[string](
				`axe.run(document, {resultTypes: ["violations"]}).then(r => JSON.stringify(r.violations.filter(v => v.impact === "serious" || v.impact === "critical").map(v => ({rule: v.id, help: v.help, nodes: v.nodes.slice(0, 3).map(n => n.html.slice(0, 160) + " " + n.failureSummary)}))))`,
				chromedp.EvalAwaitPromise))
			if err != nil {
				t.Fatal(err)
			}
			var violations []struct {
				Rule, Help string
				Nodes      []string
			}
			if err := json.Unmarshal([]byte(found), &violations); err != nil {
				t.Fatal(err)
			}
			for _, v := range violations {
				t.Errorf("%s, %s: %s (%s)\n%s", path, theme, v.Rule, v.Help, strings.Join(v.Nodes, "\n"))
			}
		}
	}
	t.Logf("%d kinds of page in two themes", len(paths))
}


package web

import (
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"
)

// TestLighthouse holds the page to full marks for access. The mark for speed is as noisy as the
// machine, so nothing is held to it: with FROSTLINE_SPEED=yes it is measured five times and its
// median printed.
func TestLighthouse(t *testing.T) {
	cli := peer(t, "lighthouse", "cli", "index.js")
	node, err := exec.LookPath("node")
	if err != nil {
		skipOrFail(t, "no Node.js to run lighthouse with")
	}
	chromium, err := exec.LookPath("chromium")
	if err != nil {
		skipOrFail(t, "no chromium for lighthouse; .ci/test installs it")
	}
	base := host(t, sights(t))
	flags := "--headless=new --disable-gpu --disable-dev-shm-usage"
	if os.Geteuid() == 0 {
		flags += " --no-sandbox"
	}
	// marks are those of one run, by category.
	marks := func(url, theme string, categories ...string) map[string]float64 {
		t.Helper()
		out := filepath.Join(t.TempDir(), "report.json")
		cmd := exec.CommandContext(t.Context(), node, cli, url, "--quiet", "--output=json", "--output-path="+out, "--chrome-flags="+flags,
			"--only-categories="+strings.Join(categories, ","), "--max-wait-for-load=60000",
			fmt.Sprintf(`--extra-headers={"Cookie":"%s=%s"}`, lookCookie, look{Theme: theme}.checked().cookie()))
		cmd.Env = append(os.Environ(), "CHROME_PATH="+chromium)
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("lighthouse %s: %v\n%s", url, err, said)
		}
		text, err := os.ReadFile(out)
		if err != nil {
			t.Fatal(err)
		}
		var report struct {
			Categories map[string]struct{ Score float64 }
			Audits     map[string]struct {
				Title string
				Score *float64
			}
		}
		if err := json.Unmarshal(text, &report); err != nil {
			t.Fatal(err)
		}
		got := map[string]float64{}
		for name, c := range report.Categories {
			got[name] = 100 * c.Score
		}
		if got["accessibility"] < 100 && slices.Contains(categories, "accessibility") {
			for id, a := range report.Audits {
				if a.Score != nil && *a.Score < 1 {
					t.Errorf("%s, %s: %s: %s", url, theme, id, a.Title)
				}
			}
		}
		return got
	}
	for _, v := range []struct{ name, path, theme string }{{"winter", "/", "light"}, {"several", "/", "night"}, {"winter", "/night/2026-11-24", "dark"}} {
		if got := marks(base(v.name)+v.path, v.theme, "accessibility")["accessibility"]; got != 100 {
			t.Errorf("%s%s, %s: %g for access, want 100", v.name, v.path, v.theme, got)
		}
	}
	if os.Getenv("FROSTLINE_SPEED") == "" {
		return
	}
	var speed []float64
	for range 5 {
		speed = append(speed, marks(base("winter")+"/", "auto", "performance")["performance"])
	}
	slices.Sort(speed)
	t.Logf("performance: median %g of %v", speed[2], speed)
}

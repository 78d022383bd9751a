package web

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// TestShots takes a picture of every state, theme and width into a folder, to be looked at:
// FROSTLINE_SHOTS=folder go test -run TestShots ./daemon/web
// With FROSTLINE_SHOTS_ONLY=word it takes those whose file name has the word.
func TestShots(t *testing.T) {
	dir := os.Getenv("FROSTLINE_SHOTS")
	if dir == "" {
		t.Skip("FROSTLINE_SHOTS names no folder for the pictures")
	}
	all := sights(t)
	base := host(t, all)
	b := newTab(t, browser(t))
	take := func(name, path string, width int64, theme, extra string) {
		file := strings.Trim(fmt.Sprintf("%s-%d-%s-%s", name, width, theme, extra), "-") + ".png"
		if !strings.Contains(file, os.Getenv("FROSTLINE_SHOTS_ONLY")) {
			return
		}
		where, _, _ := strings.Cut(name, "_")
		b.phone(width)
		b.look(base(where), look{Theme: theme})
		b.colours(emulation.SetEmulatedVisionDeficiencyTypeNone)
		if extra == "protanopia" {
			b.colours(emulation.SetEmulatedVisionDeficiencyTypeProtanopia)
		}
		b.do(chromedp.Navigate(base(where) + path))
		if extra == "double" {
			eval[bool](b, doubled)
		}
		if err := os.WriteFile(filepath.Join(dir, file), get(b, chromedp.FullScreenshot(100)), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, theme := range themes()[1:] {
		for _, page := range []struct{ sight, path string }{{"normal", "/change"}, {"normal", "/check"}, {"normal", "/calibrate"}, {"normal", "/phones"}, {"normal", "/data"}, {"paired", "/pair"}} {
			name := page.sight + "_" + strings.TrimPrefix(page.path, "/")
			for _, width := range []int64{320, 390, 768} {
				take(name, page.path, width, theme, "")
			}
			take(name, page.path, 390, theme, "double")
		}
	}
	past := nightTarget("2026-11-24")
	for _, theme := range themes()[1:] {
		for _, width := range []int64{320, 390, 768} {
			take("normal_past", past, width, theme, "")
			take("normal_tonight", nightTarget("2026-11-25"), width, theme, "")
		}
		take("normal_past", past, 390, theme, "double")
	}
	for _, s := range all {
		for _, theme := range themes()[1:] {
			for _, width := range []int64{320, 390, 768} {
				take(s.name, "/", width, theme, "")
			}
			take(s.name, "/", 390, theme, "double")
			take(s.name, "/", 390, theme, "protanopia")
		}
	}
}

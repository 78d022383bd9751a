package web

import "net/http"

const manifestPath = "/manifest.webmanifest"

// appGround is the ground of the dark theme: what shows while an installed page starts.
const appGround = "#0c1113"

type manifestIcon struct {
	Src     string `json:"src"`
	Sizes   string `json:"sizes"`
	Type    string `json:"type"`
	Purpose string `json:"purpose"`
}

// getManifest lets a phone keep the page as an app: over HTTPS installed, over plain HTTP as
// a bookmark with a name and an icon. Browsers ask for it without the cookie, so it says
// nothing of the van.
func (s *Server) getManifest(w http.ResponseWriter, r *http.Request) {
	w.Header().Set("Content-Type", "application/manifest+json; charset=utf-8")
	a := s.assets
	icon := func(f asset, sizes, purpose string) manifestIcon { return manifestIcon{f.path, sizes, f.kind, purpose} }
	s.sendJSON(w, http.StatusOK, struct {
		Name        string         `json:"name"`
		ShortName   string         `json:"short_name"`
		Description string         `json:"description"`
		ID          string         `json:"id"`
		StartURL    string         `json:"start_url"`
		Scope       string         `json:"scope"`
		Display     string         `json:"display"`
		Ground      string         `json:"background_color"`
		Theme       string         `json:"theme_color"`
		Icons       []manifestIcon `json:"icons"`
	}{"frostline", "frostline", "Gas, cold and nights of a van. It never replaces a certified gas alarm.", "/", "/", "/", "standalone", appGround, appGround,
		[]manifestIcon{{string(a.mark), "any", a.icon.kind, "any"}, icon(a.icon192, "192x192", "any"), icon(a.icon512, "512x512", "any"),
			icon(a.icon512, "512x512", "maskable")}})
}

package web

import (
	"bytes"
	"context"
	"html/template"
	"net/http"
)

// notice is what the page says at its top after a form.
type notice struct {
	Text    string
	Refused bool
}

// pageData is what the template prints.
type pageData struct {
	view
	Look                    look
	Themes                  []string
	Pressures, Burns, Bases []option
	Van                     string
	Version                 string
	CSS                     string
	JS                      string
	Icon                    string
	StaleS                  int
	Said                    notice
	Writable                bool
	MassUnit                string
	TempUnit                string
	Strip                   template.HTML
}

func loadPage() *template.Template {
	return template.Must(template.ParseFS(files, "assets/page.html"))
}

func (s *Server) getPage(w http.ResponseWriter, r *http.Request) {
	s.sendPage(w, r, http.StatusOK, notice{Text: saidOf(r.URL.Query().Get("done"))})
}

// sendPage draws the page from the newest frame. Pictures come from the store and are left
// out if it does not answer; the words never wait for it longer than storeWait.
func (s *Server) sendPage(w http.ResponseWriter, r *http.Request, status int, said notice) {
	l := lookOf(r)
	f := s.latest.Load()
	d := pageData{view: s.view(f, l), Look: l, Themes: themes(), Pressures: pressures(), Burns: burns(), Bases: bases(), Van: s.opt.VanName, Version: s.opt.Version,
		CSS: s.assets.css.path, JS: s.assets.js.path, Icon: s.assets.icon.path,
		StaleS: int(staleAfter.Seconds()), Said: said, Writable: s.opt.Writable && s.opt.Command != nil,
		MassUnit: l.Mass, TempUnit: "°C"}
	if l.Temp == "f" {
		d.TempUnit = "°F"
	}
	if d.Known {
		ctx, cancel := context.WithTimeout(r.Context(), storeWait)
		defer cancel()
		s.draw(ctx, &d, f.snap)
	}
	var body bytes.Buffer
	if err := s.page.Execute(&body, d); err != nil {
		s.opt.Log.Error("page not drawn", "err", err)
		http.Error(w, "The page could not be drawn. The gas watch does not depend on it.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.WriteHeader(status)
	w.Write(body.Bytes())
}

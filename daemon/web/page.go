package web

import (
	"bytes"
	"context"
	"html/template"
	"net/http"

	"frostline/daemon/estimate"
	"frostline/daemon/show"
)

// notice is what the page says at its top after a form.
type notice struct {
	Text    string
	Refused bool
}

// pageData is what the template prints.
type pageData struct {
	view
	Look      look
	Themes    []string
	Pressures []option
	Burns     []option
	Bases     []option
	Van       string
	Version   string
	CSS       string
	JS        string
	NightJS   string
	Icon      template.URL
	Touch     string
	StaleS    int
	Said      notice
	Writable  bool
	Owner     bool // whoever asks
	Open      bool // nobody is paired here
	MassUnit  string
	TempUnit  string
	Left      row           // how many nights are in the cylinder: the number of the strip
	Strip     template.HTML // nights behind
	Ahead     template.HTML // and ahead
	Night     *nightView    // on its own page
	Cost      template.HTML
	CostSays  string
	Cylinders []knownView
	Change    *changeView // nil before the first snapshot
	Check     *checkView
	Confirm   *confirmView
	Hours     hoursView // of a night
}

// knownView is a cylinder that was here before.
type knownView struct{ Name, Tare, Last, Month string }

func knownViews(e *estimate.Estimates, l look) []knownView {
	var out []knownView
	for _, k := range e.Known {
		c := l.choice()
		v := knownView{Name: k.Name, Month: k.RequalifyBy, Last: c.Number(k.GrossKg, show.Kg),
			Tare: c.Interval(k.TareKg-1.96*k.TareSDKg, k.TareKg+1.96*k.TareSDKg, show.Kg)}
		if v.Name == "" {
			v.Name = "without a name"
		}
		out = append(out, v)
	}
	return out
}

func loadPage() *template.Template {
	return template.Must(template.New("page.html").ParseFS(files, "assets/*.html"))
}

func (s *Server) getPage(w http.ResponseWriter, r *http.Request) {
	s.sendPage(w, r, http.StatusOK, notice{Text: saidOf(r.URL.Query().Get("done"))})
}

// sendPage draws the page from the newest frame. Pictures come from the store and are left
// out if it does not answer; the words never wait for it longer than storeWait.
func (s *Server) sendPage(w http.ResponseWriter, r *http.Request, status int, said notice) {
	l := lookOf(r)
	f := s.latest.Load()
	d := s.pageData(r, f, l)
	d.Said = said
	if d.Known {
		d.Cylinders = knownViews(f.snap.Est, l)
		d.Change, d.Hours = s.changeView(f.snap, l), nightOf(f.snap)
		ctx, cancel := context.WithTimeout(r.Context(), storeWait)
		defer cancel()
		s.draw(ctx, &d, f.snap)
	}
	s.send(w, r, status, "page.html", d)
}

// pageData is what every page prints.
func (s *Server) pageData(r *http.Request, f *frame, l look) pageData {
	d := pageData{view: s.view(f, l), Look: l, Themes: themes(), Pressures: pressures(), Burns: burns(), Bases: bases(),
		Van: s.opt.VanName, Version: s.opt.Version, CSS: s.assets.css.path, JS: s.assets.js.path, NightJS: s.assets.night.path, Icon: s.assets.mark, Touch: s.assets.icon192.path,
		StaleS: int(staleAfter.Seconds()), Writable: s.writable(r), Owner: visitorOf(r).role >= owner, Open: s.opt.Open,
		MassUnit: l.Mass, TempUnit: "°C"}
	if l.Temp == "f" {
		d.TempUnit = "°F"
	}
	if len(d.Tonight) > 0 {
		d.Left, d.Tonight = d.Tonight[0], d.Tonight[1:]
	}
	return d
}

// send draws a page whole before a byte of it goes out.
func (s *Server) send(w http.ResponseWriter, r *http.Request, status int, name string, d any) {
	var body bytes.Buffer
	if err := s.page.ExecuteTemplate(&body, name, d); err != nil {
		s.opt.Log.Error("page not drawn", "page", name, "err", err)
		http.Error(w, "The page could not be drawn. The gas watch does not depend on it.", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	packed(w, r, status, body.Bytes())
}

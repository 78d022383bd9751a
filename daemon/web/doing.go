package web

import (
	"fmt"
	"net/http"
	"slices"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
	"frostline/daemon/show"
)

// getDoing draws a page beside the first one, for something that is done step by step: it
// needs no script and follows nothing; fill adds what it alone shows, and may be nil. While
// an alarm sends people out there is nothing to do on a phone inside: then it leads back to
// what that alarm says.
func (s *Server) getDoing(name string, fill func(*pageData, *frame, *http.Request)) http.HandlerFunc {
	return func(w http.ResponseWriter, r *http.Request) {
		f := s.latest.Load()
		if sentOut(f.snap) {
			http.Redirect(w, r, "/", http.StatusSeeOther)
			return
		}
		d := s.doingData(r, f, notice{Text: saidOf(r.URL.Query().Get("done"))})
		if fill != nil {
			fill(&d, f, r)
		}
		s.send(w, r, http.StatusOK, name, d)
	}
}

// sentOut reports whether an alarm stands that sends people out.
func sentOut(snap *core.Snapshot) bool {
	return snap != nil && slices.ContainsFunc(snap.Alarms, func(a alerts.Status) bool {
		return a.SendsOut && takesPlace(a)
	})
}

// doingData is what every such page prints.
func (s *Server) doingData(r *http.Request, f *frame, said notice) pageData {
	l := lookOf(r)
	d := s.pageData(r, f, l)
	d.JS, d.Said = s.assets.doing.path, said
	if d.Known {
		d.Cylinders = knownViews(f.snap.Est, l)
		d.Change = s.changeView(f.snap, l)
	}
	return d
}

// writable reports whether orders are taken here from whoever asks.
func (s *Server) writable(r *http.Request) bool {
	return s.opt.Writable && s.opt.Command != nil && visitorOf(r).role >= owner
}

// confirmView asks once before an order and says what it will do.
type confirmView struct {
	Title  string
	Will   []string
	Button string
	Back   string
	Fields []field // of the form as it came
}

type field struct{ Name, Value string }

// confirmed reports whether the order of a form needs no question, or has had it. Otherwise
// it draws the question.
func (s *Server) confirmed(w http.ResponseWriter, r *http.Request, cmd core.Command) bool {
	f := s.latest.Load()
	c := question(cmd, f.snap)
	if c == nil || r.PostForm.Get("confirm") == "1" {
		return true
	}
	for _, name := range []string{"do", "alarm", "hours"} {
		if v := r.PostForm.Get(name); v != "" {
			c.Fields = append(c.Fields, field{name, v})
		}
	}
	d := s.doingData(r, f, notice{})
	d.Confirm = c
	s.send(w, r, http.StatusOK, "confirm", d)
	return false
}

// question is what to ask before an order that silences a high alarm, ends a latched one, or
// takes a word back; nil before any other.
func question(cmd core.Command, snap *core.Snapshot) *confirmView {
	of := func(id string) alerts.Status {
		if snap != nil {
			if i := slices.IndexFunc(snap.Alarms, func(a alerts.Status) bool { return a.ID == id }); i >= 0 {
				return snap.Alarms[i]
			}
		}
		return alerts.Status{ID: id, Title: id, Priority: alerts.High} // unknown: the van will say so
	}
	switch {
	case cmd.Reset != "":
		a := of(cmd.Reset)
		c := &confirmView{Title: "Reset this alarm? " + a.Title + ".", Button: "Yes, reset it", Back: "/",
			Will: []string{"It leaves the page, and it sounds again only if its cause comes back.", "Nothing in the van is switched."}}
		if a.Class == alerts.ClassGas || a.Class == alerts.ClassCO {
			c.Will = append([]string{"Press this from outside only, after a qualified person has found the cause and said that you may go back."}, c.Will...)
			c.Will = append(c.Will, "It does not mean that the air is fit to breathe or that nothing leaks: a level that fell is no proof. "+certified)
		}
		return c
	case cmd.Shelve != nil && of(cmd.Shelve.Alarm).Priority >= alerts.High:
		a := of(cmd.Shelve.Alarm)
		return &confirmView{Title: "Shelve this alarm? " + a.Title + ".", Button: "Yes, shelve it", Back: "/",
			Will: []string{fmt.Sprintf("For %s it makes no sound and wakes nobody, even if it becomes worse.", show.Duration(time.Duration(cmd.Shelve.ForS*float64(time.Second)))),
				"Then, or after a restart, it comes back by itself. Until then the page lists it as shelved, with a button to put it back."}}
	case cmd.Undone:
		return &confirmView{Title: "Take the change back?", Button: "Yes, take it back", Back: "/change",
			Will: []string{"Tare, fill, name and blend are again what they were before the last word about a change of cylinder.",
				"What was weighed and burned since stays."}}
	}
	return nil
}

package web

import (
	"context"
	"crypto/sha256"
	"crypto/subtle"
	"errors"
	"net/http"
	"strings"
)

// role is what somebody may do. Each role may do what those before it may.
type role int

const (
	nobody role = iota // a phone that is not paired: the door, and nothing behind it
	viewer             // looks: page, nights, charts, live
	owner              // also gives orders, pairs phones, takes and erases data
	board              // who holds the control socket; see Server.Board
)

func (r role) String() string { return [...]string{"nobody", "viewer", "owner", "board"}[r] }

// roleNamed is a role that a phone can be given.
func roleNamed(name string) (role, bool) {
	switch name {
	case viewer.String():
		return viewer, true
	case owner.String():
		return owner, true
	}
	return nobody, false
}

// visitor is who asks.
type visitor struct {
	role  role
	phone string // its id; "" without a session
	name  string // what its person calls it
}

// actor is who the log and the recording name for an order.
func (v visitor) actor() string {
	switch {
	case v.role == board:
		return "board"
	case v.phone != "":
		return "phone " + v.name // no phone can call itself the board
	}
	return "page"
}

type visitorKey struct{}

func (v visitor) on(r *http.Request) *http.Request {
	return r.WithContext(context.WithValue(r.Context(), visitorKey{}, v))
}

// visitorOf is who asks; nobody, if no door was passed.
func visitorOf(r *http.Request) visitor {
	v, _ := r.Context().Value(visitorKey{}).(visitor)
	return v
}

// visitor finds out who asks: anybody at all where the page listens on this board alone,
// else the phone whose session the cookie names.
func (s *Server) visitor(r *http.Request) visitor {
	if s.opt.Open {
		return visitor{role: owner}
	}
	if p, ok := s.phones.find(sessionOf(r), s.clockTrusted()); ok {
		return visitor{p.Role.role, p.ID, p.Name}
	}
	if s.opt.Glance || r.URL.Path == metricsPath && s.bearsToken(r) {
		return visitor{role: viewer}
	}
	return visitor{}
}

// bearsToken reports whether the request carries the token for scrapers. It opens
// nothing but the metrics.
func (s *Server) bearsToken(r *http.Request) bool {
	given, ok := strings.CutPrefix(r.Header.Get("Authorization"), "Bearer ")
	if !ok || s.opt.MetricsToken == "" {
		return false
	}
	a, b := sha256.Sum256([]byte(given)), sha256.Sum256([]byte(s.opt.MetricsToken))
	return subtle.ConstantTimeCompare(a[:], b[:]) == 1
}

// still reports whether a request that goes on for long is still allowed: its phone may
// have been revoked, or its time be over.
func (s *Server) still(r *http.Request) bool {
	was := visitorOf(r)
	return was.role == board || s.visitor(r).role >= was.role
}

// router is a mux in which no route can stand without the least role that may ask for it.
type router struct {
	mux    http.ServeMux
	routes []route
	refuse func(w http.ResponseWriter, r *http.Request, least role)
}

type route struct {
	pattern string
	least   role
}

func (rt *router) handle(pattern string, least role, h http.HandlerFunc) {
	rt.routes = append(rt.routes, route{pattern, least})
	rt.mux.HandleFunc(pattern, func(w http.ResponseWriter, r *http.Request) {
		if visitorOf(r).role < least {
			rt.refuse(w, r, least)
			return
		}
		h(w, r)
	})
}

var (
	errNotPaired = errors.New("this phone is not paired with the van, or not any more: scan a new code")
	errNotOwner  = errors.New("this phone may look only; an owner's phone may do this")
	errNotBoard  = errors.New("this is done on the board itself")
)

// turnAway answers who may not ask. A person without a phone that is paired is led to the
// door; a machine gets the reason.
func (s *Server) turnAway(w http.ResponseWriter, r *http.Request, least role) {
	v := visitorOf(r)
	switch {
	case v.role != nobody && v.role >= owner:
		s.refuse(w, r, http.StatusForbidden, sentenceOf(errNotBoard))
	case v.role != nobody && (v.phone != "" || least == board):
		s.refuse(w, r, http.StatusForbidden, sentenceOf(errNotOwner))
	case r.URL.Path == metricsPath:
		w.Header().Set("WWW-Authenticate", "Bearer")
		s.refuse(w, r, http.StatusUnauthorized, sentenceOf(errNotPaired))
	case strings.HasPrefix(r.URL.Path, "/api/"):
		s.sendError(w, http.StatusUnauthorized, errNotPaired)
	default: // see other: a form posted by a phone that was revoked ends at the door too
		http.Redirect(w, r, "/pair", http.StatusSeeOther)
	}
}

func sentenceOf(err error) string {
	text := err.Error()
	return strings.ToUpper(text[:1]) + text[1:] + "."
}

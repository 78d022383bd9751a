package web

import (
	"net/http"
	"slices"
	"strings"

	"frostline/daemon/show"
)

// look is what one phone chose. It lives in a cookie of that phone and changes nothing in
// the van; stored values stay SI.
type look struct {
	Theme string // auto, light, dark, night
	Mass  string // kg, lb
	Temp  string // c, f
}

// choice is the look as the formatter takes it.
func (l look) choice() show.Choice {
	return show.Choice{Pounds: l.Mass == "lb", Fahrenheit: l.Temp == "f"}
}

const lookCookie = "look"

func themes() []string { return []string{"auto", "light", "dark", "night"} }

// lookOf is the phone's choice; anything odd in the cookie reads as the default.
func lookOf(r *http.Request) look {
	l := look{"auto", "kg", "c"}
	c, err := r.Cookie(lookCookie)
	if err != nil {
		return l
	}
	part := strings.Split(c.Value, ".")
	if len(part) != 3 {
		return l
	}
	return checkedLook(part[0], part[1], part[2])
}

func checkedLook(theme, mass, temp string) look {
	l := look{"auto", "kg", "c"}
	if slices.Contains(themes(), theme) {
		l.Theme = theme
	}
	if mass == "lb" {
		l.Mass = mass
	}
	if temp == "f" {
		l.Temp = temp
	}
	return l
}

// postLook keeps the choice on the phone. It is open to readers too: it changes nothing in
// the van.
func (s *Server) postLook(w http.ResponseWriter, r *http.Request) {
	if !hasType(r, "application/x-www-form-urlencoded") {
		http.Error(w, "Send the form as application/x-www-form-urlencoded.", http.StatusUnsupportedMediaType)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		http.Error(w, bodyError(err).Error(), bodyStatus(err))
		return
	}
	l := checkedLook(r.PostForm.Get("theme"), r.PostForm.Get("mass"), r.PostForm.Get("temp"))
	http.SetCookie(w, &http.Cookie{Name: lookCookie, Value: l.Theme + "." + l.Mass + "." + l.Temp,
		Path: "/", MaxAge: 365 * 86400, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/?done=look", http.StatusSeeOther)
}

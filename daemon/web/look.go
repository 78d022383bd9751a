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
	Press string // kpa, bar, psi, inwc, mbar
	Burn  string // mass, kw, btu
	Basis string // net, gross: of the heat of a burn
}

// option is one thing a phone may choose, as the form names it and as people read it.
type option struct{ Value, Word string }

// The first of each list is the default; pressures and burns stand in the order of the
// constants of show.
func pressures() []option {
	return []option{{"kpa", "kPa"}, {"bar", "bar"}, {"psi", "psi"}, {"inwc", "in w.c."}, {"mbar", "mbar"}}
}

func burns() []option { return []option{{"mass", "weight"}, {"kw", "kW"}, {"btu", "BTU/h"}} }

func bases() []option { return []option{{"net", "net"}, {"gross", "gross"}} }

// place is where an option stands in its list, -1 if it does not.
func place(list []option, value string) int {
	return slices.IndexFunc(list, func(o option) bool { return o.Value == value })
}

// choice is the look as the formatter takes it.
func (l look) choice() show.Choice {
	return show.Choice{Pounds: l.Mass == "lb", Fahrenheit: l.Temp == "f", Gross: l.Basis == "gross",
		Pressure: show.Pressure(max(place(pressures(), l.Press), 0)), Burn: show.Burn(max(place(burns(), l.Burn), 0))}
}

const lookCookie = "look"

func themes() []string { return []string{"auto", "light", "dark", "night"} }

// lookOf is the phone's choice; anything odd in the cookie reads as the default.
func lookOf(r *http.Request) look {
	c, err := r.Cookie(lookCookie)
	if err != nil {
		return look{}.checked()
	}
	part := strings.Split(c.Value, ".")
	if len(part) == 3 { // of a version that knew no more
		part = append(part, "", "", "")
	}
	if len(part) != 6 {
		return look{}.checked()
	}
	return look{part[0], part[1], part[2], part[3], part[4], part[5]}.checked()
}

// checked puts the default in place of whatever is not on offer.
func (l look) checked() look {
	if !slices.Contains(themes(), l.Theme) {
		l.Theme = "auto"
	}
	if l.Mass != "lb" {
		l.Mass = "kg"
	}
	if l.Temp != "f" {
		l.Temp = "c"
	}
	l.Press = pressures()[max(place(pressures(), l.Press), 0)].Value
	l.Burn = burns()[max(place(burns(), l.Burn), 0)].Value
	l.Basis = bases()[max(place(bases(), l.Basis), 0)].Value
	return l
}

// cookie is the look as it is kept.
func (l look) cookie() string {
	return strings.Join([]string{l.Theme, l.Mass, l.Temp, l.Press, l.Burn, l.Basis}, ".")
}

// postLook keeps the choice on the phone. It is open to readers too: it changes nothing in
// the van.
func (s *Server) postLook(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	f := r.PostForm
	l := look{f.Get("theme"), f.Get("mass"), f.Get("temp"), f.Get("pressure"), f.Get("burn"), f.Get("basis")}.checked()
	// It is no secret, and not Secure even over HTTPS: a browser would neither send such a cookie over
	// plain HTTP nor let it be replaced there, so who takes the certificate out could choose nothing for a year.
	http.SetCookie(w, &http.Cookie{Name: lookCookie, Value: l.cookie(),
		Path: "/", MaxAge: 365 * 86400, HttpOnly: true, SameSite: http.SameSiteStrictMode})
	http.Redirect(w, r, "/?done=look", http.StatusSeeOther)
}

package web

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"slices"
	"strings"
	"time"

	"frostline/daemon/core"
)

// sessionCookie holds the session id. Over HTTPS the browser promises by the prefix that
// it came from here, encrypted, and goes nowhere else; over plain HTTP it would not keep
// a cookie of that name (conventions.md 4.3; the deviation from ASVS 3.3.1 and 3.3.3).
// Cookies know no ports, so the plain name is ours among all that runs on the board.
func sessionCookie(r *http.Request) string {
	if r.TLS != nil {
		return "__Host-frostline"
	}
	return "frostline"
}

// sessionOf is the session id that the request carries, "" if none has its form.
func sessionOf(r *http.Request) string {
	c, err := r.Cookie(sessionCookie(r))
	if err != nil || len(c.Value) != len(noSession) {
		return ""
	}
	return c.Value
}

// noSession has the length of a session id: 32 bytes in base64.
const noSession = "0000000000000000000000000000000000000000000"

// keepSession leaves the session id on the phone; "" takes it away.
func keepSession(w http.ResponseWriter, r *http.Request, session string, lasts time.Duration) {
	c := &http.Cookie{Name: sessionCookie(r), Value: session, Path: "/", MaxAge: int(lasts.Seconds()),
		HttpOnly: true, SameSite: http.SameSiteStrictMode, Secure: r.TLS != nil}
	if session == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// clockTrusted reports whether moments may be noted and judged.
func (s *Server) clockTrusted() bool {
	f := s.latest.Load()
	return f.snap != nil && f.snap.Est != nil && f.snap.Est.ClockTrusted
}

// doorData is what the door's template prints.
type doorData struct {
	sheet
	Said   notice
	Phone  string // the name of this phone, if it is paired
	Role   string
	Name   string
	HasOld bool // a session was shown that is none any more
}

func (s *Server) getPair(w http.ResponseWriter, r *http.Request) {
	if s.opt.Open {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	s.sendDoor(w, r, http.StatusOK, doorData{})
}

func (s *Server) sendDoor(w http.ResponseWriter, r *http.Request, status int, d doorData) {
	v := visitorOf(r)
	d.sheet = s.sheetOf(r)
	if d.Phone = v.name; v.phone != "" {
		d.Role = v.role.String()
	}
	d.HasOld = v.phone == "" && sessionOf(r) != ""
	s.send(w, r, status, "pair.html", d)
}

// postPair takes a code, from the form or from the script that found it in the link, and
// leaves a session on the phone.
func (s *Server) postPair(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	if s.opt.Open {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	code, name := r.PostForm.Get("code"), cleanName(r.PostForm.Get("name"))
	if !s.tries.allow(r) {
		s.opt.Log.Warn("pairing tried too often", "from", r.RemoteAddr)
		w.Header().Set("Retry-After", "60")
		s.sendDoor(w, r, http.StatusTooManyRequests, doorData{Said: notice{"Too many tries. Wait a minute, then try again.", true}, Name: name})
		return
	}
	o, ok := s.phones.redeem(code)
	if !ok {
		s.opt.Log.Warn("pairing refused", "from", r.RemoteAddr)
		s.sendDoor(w, r, http.StatusForbidden, doorData{Name: name, Said: notice{"This code pairs nothing. It may be mistyped, used already, or older than ten minutes. Ask for a new one.", true}})
		return
	}
	was := visitorOf(r)
	name = cmp.Or(o.name, name, was.name, "phone")
	session, p, err := s.phones.admit(o, name, s.clockTrusted(), was.phone)
	if err != nil && !errors.Is(err, errPhoneUnkept) {
		s.sendDoor(w, r, http.StatusConflict, doorData{Name: name, Said: notice{sentence(err), true}})
		return
	}
	s.opt.Log.Info("phone paired", "phone", p.Name, "role", p.Role.String(), "from", r.RemoteAddr)
	keepSession(w, r, session, p.lasts())
	done := "pair"
	if err != nil {
		done = "pair-unkept"
	}
	http.Redirect(w, r, "/?done="+done, http.StatusSeeOther)
}

// postUnpair lets a phone give up its own pairing.
func (s *Server) postUnpair(w http.ResponseWriter, r *http.Request) {
	if v := visitorOf(r); v.phone != "" {
		_, err := s.phones.revoke(v.phone)
		s.opt.Log.Info("phone unpaired itself", "phone", v.name, "err", err)
	}
	keepSession(w, r, "", 0)
	http.Redirect(w, r, "/pair", http.StatusSeeOther)
}

// inviteJSON asks for an offer.
type inviteJSON struct {
	Role string  `json:"role"`
	Name string  `json:"name"`
	ForS float64 `json:"for_s"`
}

// offerJSON is an offer with what a person needs to use it.
type offerJSON struct {
	Link    string   `json:"link"`  // for a QR code: an address, since names of the local network fail on some phones
	Doors   []string `json:"doors"` // where the code is typed, the likeliest first
	Code    string   `json:"code"`
	LastsS  int      `json:"lasts_s"`
	Role    string   `json:"role"`
	HTTPS   bool     `json:"https"`
	ForDays float64  `json:"for_days"`
}

var (
	errNoPage = errors.New("no phone can reach the page: [page] listen is empty; set it, like \"0.0.0.0:8460\"")
	errOpen   = errors.New("the page listens on this board alone, where nobody needs pairing; let [page] listen on the van's network, like \"0.0.0.0:8460\"")
	errFor    = errors.New("a pairing lasts from an hour to 365 days")
)

// invite checks what was asked for and makes the offer.
func (s *Server) invite(r *http.Request, in inviteJSON) (offerJSON, error) {
	asked, ok := roleNamed(in.Role)
	lasts := time.Duration(in.ForS * float64(time.Second))
	switch {
	case !ok:
		return offerJSON{}, fmt.Errorf("role: %q is neither viewer nor owner", in.Role)
	case in.ForS != 0 && (!(in.ForS >= 3600) || in.ForS > wholeLimit.Seconds()):
		return offerJSON{}, errFor
	case in.Name != "" && cleanName(in.Name) != in.Name:
		return offerJSON{}, fmt.Errorf("name: one line of at most %d letters", maxName)
	case s.opt.Open:
		return offerJSON{}, errOpen
	case s.opt.Listen == "":
		return offerJSON{}, errNoPage
	}
	token, code := s.phones.invite(in.Name, asked, lasts)
	s.opt.Log.Info("pairing offered", "by", visitorOf(r).actor(), "role", asked.String(), "phone", in.Name)
	if lasts == 0 {
		lasts = wholeLimit
	}
	out := offerJSON{Code: code, LastsS: int(offerLasts.Seconds()), Role: asked.String(), HTTPS: s.opt.HTTPS, ForDays: lasts.Hours() / 24}
	for i, base := range s.bases(r) {
		if i == 0 {
			out.Link = base + "/pair#" + token
		}
		out.Doors = append(out.Doors, base+"/pair")
	}
	return out, nil
}

// bases are the ways to reach the page from a phone, the likeliest first: as the asking
// phone itself did; with a certificate, by name; else by address.
func (s *Server) bases(r *http.Request) []string {
	scheme := "http://"
	if s.opt.HTTPS {
		scheme = "https://"
	}
	host, port, err := net.SplitHostPort(s.opt.Listen)
	if err != nil {
		return nil
	}
	var hosts []string
	for _, a := range phoneAddresses(host) {
		hosts = append(hosts, net.JoinHostPort(a.String(), port))
	}
	var names []string
	for _, name := range append(slices.Clone(s.opt.Hosts), s.localName) {
		if name = hostName(name); name != "" {
			names = append(names, net.JoinHostPort(name, port))
		}
	}
	if s.opt.HTTPS { // no certificate is for an address of a van
		hosts = append(names, hosts...)
	} else {
		hosts = append(hosts, names...)
	}
	if visitorOf(r).role != board {
		hosts = append([]string{r.Host}, hosts...)
	}
	var out []string
	for _, h := range hosts {
		if base := scheme + h; !slices.Contains(out, base) {
			out = append(out, base)
		}
	}
	return out
}

// phoneAddresses are the addresses that a phone may reach the page by: the one it listens
// on, or each of the board's own, IPv4 and private ones first.
func phoneAddresses(listening string) []netip.Addr {
	if a, err := netip.ParseAddr(listening); err == nil && !a.IsUnspecified() {
		return []netip.Addr{a}
	}
	own, err := net.InterfaceAddrs()
	if err != nil {
		return nil
	}
	var out []netip.Addr
	for _, o := range own {
		p, err := netip.ParsePrefix(o.String())
		if err != nil {
			continue
		}
		if a := p.Addr().Unmap(); a.IsGlobalUnicast() {
			out = append(out, a)
		}
	}
	rank := func(a netip.Addr) int {
		n := 0
		if !a.Is4() {
			n += 2
		}
		if !a.IsPrivate() {
			n++
		}
		return n
	}
	slices.SortStableFunc(out, func(a, b netip.Addr) int { return rank(a) - rank(b) })
	return out
}

// phoneJSON is a paired phone as its owner sees it.
type phoneJSON struct {
	ID     string  `json:"id"`
	Name   string  `json:"name"`
	Role   string  `json:"role"`
	Paired string  `json:"paired,omitempty"` // RFC 3339; absent while the clock has not been right since
	Seen   string  `json:"seen,omitempty"`
	Until  string  `json:"until,omitempty"`
	This   bool    `json:"this"` // the asking phone itself
	ForS   float64 `json:"for_s"`
}

func (s *Server) phonesJSON(r *http.Request) []phoneJSON {
	out := []phoneJSON{}
	for _, p := range s.phones.all(s.clockTrusted()) {
		j := phoneJSON{ID: p.ID, Name: p.Name, Role: p.Role.String(), ForS: p.lasts().Seconds(), This: p.ID == visitorOf(r).phone}
		if !p.Paired.IsZero() {
			until := p.Paired.Add(p.lasts())
			if idle := p.Seen.Add(idleLimit); idle.Before(until) {
				until = idle
			}
			j.Paired, j.Seen, j.Until = core.FormatWall(p.Paired), core.FormatWall(p.Seen), core.FormatWall(until)
		}
		out = append(out, j)
	}
	return out
}

func (s *Server) getPhonesJSON(w http.ResponseWriter, r *http.Request) {
	s.sendJSON(w, http.StatusOK, struct {
		Phones []phoneJSON `json:"phones"`
	}{s.phonesJSON(r)})
}

func (s *Server) postInviteJSON(w http.ResponseWriter, r *http.Request) {
	var in inviteJSON
	if !s.readJSON(w, r, &in) {
		return
	}
	out, err := s.invite(r, in)
	if err != nil {
		s.sendError(w, http.StatusConflict, err)
		return
	}
	s.sendJSON(w, http.StatusOK, out)
}

func (s *Server) postRevokeJSON(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Phone string `json:"phone"` // id or name
	}
	if !s.readJSON(w, r, &in) {
		return
	}
	gone, err := s.revoke(r, in.Phone)
	switch {
	case errors.Is(err, errPhoneUnkept): // done, and 202 promises no more than that
		s.sendError(w, http.StatusAccepted, fmt.Errorf("%s is revoked, but %w", gone.Name, err))
	case err != nil:
		s.sendError(w, http.StatusConflict, err)
	default:
		s.sendJSON(w, http.StatusOK, struct {
			Revoked string `json:"revoked"`
		}{gone.Name})
	}
}

func (s *Server) revoke(r *http.Request, which string) (pairedPhone, error) {
	gone, err := s.phones.revoke(which)
	if gone.ID != "" {
		s.opt.Log.Info("phone revoked", "phone", gone.Name, "by", visitorOf(r).actor())
	}
	return gone, err
}

// readJSON reads one JSON object without unknown members, or answers why not.
func (s *Server) readJSON(w http.ResponseWriter, r *http.Request, into any) bool {
	if !hasType(r, "application/json") {
		s.sendError(w, http.StatusUnsupportedMediaType, errors.New("send one JSON object as application/json"))
		return false
	}
	d := json.NewDecoder(http.MaxBytesReader(w, r.Body, maxBody))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			err = errors.New("more than one object")
		}
	}
	if err != nil {
		s.sendError(w, bodyStatus(err), fmt.Errorf("the request could not be read: %s", strings.TrimPrefix(err.Error(), "json: ")))
		return false
	}
	return true
}

// readForm parses a form, or answers why not.
func readForm(w http.ResponseWriter, r *http.Request) bool {
	if !hasType(r, "application/x-www-form-urlencoded") {
		http.Error(w, "Send the form as application/x-www-form-urlencoded.", http.StatusUnsupportedMediaType)
		return false
	}
	r.Body = http.MaxBytesReader(w, r.Body, maxBody)
	if err := r.ParseForm(); err != nil {
		http.Error(w, bodyError(err).Error(), bodyStatus(err))
		return false
	}
	return true
}

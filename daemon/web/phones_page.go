package web

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"rsc.io/qr"
)

// sheet is what every page beside the main one prints.
type sheet struct {
	Theme, Van, CSS, Touch string
	Script, Doing          string // of the door; of the pages an owner opens
	Icon                   template.URL
	Gas                    []alarmView // what sends people out is said to whoever comes, on every page
	Cert                   string
}

// sheetOf tells the van's name to none but those who may look.
func (s *Server) sheetOf(r *http.Request) sheet {
	d := sheet{Theme: lookOf(r).Theme, CSS: s.assets.css.path, Icon: s.assets.mark, Touch: s.assets.icon192.path, Script: s.assets.pair.path, Doing: s.assets.doing.path, Cert: certified}
	if visitorOf(r).role >= viewer {
		d.Van = s.opt.VanName
	}
	if f := s.latest.Load(); f.whole() {
		place, _ := s.alarmViews(f.snap)
		d.Gas = slices.DeleteFunc(place, func(a alarmView) bool { return !a.Leave })
	}
	return d
}

// phonesData is what the page of phones prints.
type phonesData struct {
	sheet
	Said      notice
	Open      bool
	HTTPS     bool
	Phones    []phoneView
	Offer     *offerJSON
	OfferDays string
	QR        template.HTML
}

type phoneView struct {
	phoneJSON
	When string
}

func (s *Server) getPhones(w http.ResponseWriter, r *http.Request) {
	s.sendPhones(w, r, http.StatusOK, notice{Text: saidOf(r.URL.Query().Get("done"))}, nil)
}

func (s *Server) sendPhones(w http.ResponseWriter, r *http.Request, status int, said notice, offer *offerJSON) {
	d := phonesData{sheet: s.sheetOf(r), Said: said, Open: s.opt.Open, HTTPS: r.TLS != nil, Offer: offer}
	for _, p := range s.phonesJSON(r) {
		d.Phones = append(d.Phones, phoneView{p, phoneWhen(p)})
	}
	if offer != nil {
		d.OfferDays = days(offer.ForDays)
		picture, err := qrSVG(offer.Link)
		if err != nil { // the code below it still pairs
			s.opt.Log.Warn("no QR code", "err", err)
		}
		d.QR = picture
	}
	s.send(w, r, status, "phones.html", d)
}

func days(n float64) string {
	if n == 1 {
		return "1 day"
	}
	return strconv.FormatFloat(n, 'f', -1, 64) + " days"
}

// phoneWhen says by days since when a phone is paired, when it was seen and until when:
// more is neither kept nor needed.
func phoneWhen(p phoneJSON) string {
	day := func(moment string) string { date, _, _ := strings.Cut(moment, "T"); return date }
	if p.Paired == "" {
		return "Since when is not known: the van's clock has not been right since."
	}
	return fmt.Sprintf("Paired %s, last seen %s, until %s.", day(p.Paired), day(p.Seen), day(p.Until))
}

// postPhones pairs and revokes. An offer answers with its code, under no address that
// could be kept or passed on.
func (s *Server) postPhones(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	f := r.PostForm
	switch f.Get("do") {
	case "invite":
		n, err := strconv.Atoi(f.Get("days"))
		in := inviteJSON{Role: f.Get("role"), Name: cleanName(f.Get("name")), ForS: (time.Duration(n) * 24 * time.Hour).Seconds()}
		if err != nil || n < 1 || n > 365 { // past a year the seconds would wrap
			s.sendPhones(w, r, http.StatusUnprocessableEntity, notice{sentence(errFor), true}, nil)
			return
		}
		offer, err := s.invite(r, in)
		if err != nil {
			s.sendPhones(w, r, http.StatusUnprocessableEntity, notice{sentence(err), true}, nil)
			return
		}
		s.sendPhones(w, r, http.StatusOK, notice{}, &offer)
	case "revoke":
		gone, err := s.revoke(r, f.Get("phone"))
		switch {
		case errors.Is(err, errPhoneUnkept):
			s.sendPhones(w, r, http.StatusAccepted, notice{gone.Name + " is revoked, but " + err.Error() + ".", true}, nil)
		case err != nil:
			s.sendPhones(w, r, http.StatusUnprocessableEntity, notice{sentence(err), true}, nil)
		default:
			http.Redirect(w, r, "/phones?done=revoke", http.StatusSeeOther)
		}
	default:
		s.sendPhones(w, r, http.StatusUnprocessableEntity, notice{"Nothing asked for: the form names no action.", true}, nil)
	}
}

// qrSVG draws the code dark on light in every theme, with the quiet margin of four modules
// that readers ask for (ISO/IEC 18004; the width from memory).
func qrSVG(text string) (template.HTML, error) {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return "", err
	}
	var path strings.Builder
	for y := range code.Size {
		for x := 0; x < code.Size; x++ {
			from := x
			for code.Black(x, y) {
				x++
			}
			if x > from {
				fmt.Fprintf(&path, "M%d %dh%dv1h-%dz", from+4, y+4, x-from, x-from)
			}
		}
	}
	n := code.Size + 8
	return template.HTML(fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %d" role="img" aria-label="QR code of the link"><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#000" shape-rendering="crispEdges" d="%s"/></svg>`,
		n, n, n, n, path.String())), nil
}

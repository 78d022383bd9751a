package web

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/nights"
	"frostline/daemon/show"
)

// dataData is what the page of data prints.
type dataData struct {
	sheet
	Said   notice
	Series []string
	From   string // the last seven days, where the clock is right
	To     string
	Backup bool
	Erase  bool
	Phone  string // this phone's name, if it is paired
}

func (s *Server) getData(w http.ResponseWriter, r *http.Request) {
	s.sendData(w, r, http.StatusOK, notice{})
}

func (s *Server) sendData(w http.ResponseWriter, r *http.Request, status int, said notice) {
	d := dataData{sheet: s.sheetOf(r), Said: said, Backup: s.opt.Backup != nil, Erase: s.opt.Erase != nil && (s.opt.Writable || atBoard(r)), Phone: visitorOf(r).name}
	f := s.latest.Load()
	if f.whole() {
		for _, n := range numbers() {
			d.Series = append(d.Series, n.name)
		}
		for _, c := range f.snap.Est.Channels {
			if !c.Channel.IsHealth() {
				d.Series = append(d.Series, string(c.Channel))
			}
		}
		if f.snap.Est.ClockTrusted {
			day := f.snap.Stamp.Wall.UTC().Truncate(24 * time.Hour)
			d.From, d.To = day.AddDate(0, 0, -6).Format(time.DateOnly), day.AddDate(0, 0, 1).Format(time.DateOnly)
		}
	}
	s.send(w, r, status, "data.html", d)
}

// maxSeries bounds the memory of one download: each may be a year of hours.
const maxSeries = 8

// exportWait bounds what a download waits for the store. It is asked for by hand and may
// be long; one at a time, so that it takes nothing from the page.
const exportWait = 2 * time.Minute

// export takes the one place for downloads, or answers why there is none.
func (s *Server) export(w http.ResponseWriter, r *http.Request) (done func(), ok bool) {
	if !s.exports.allow(r) {
		w.Header().Set("Retry-After", "60")
		http.Error(w, "Too many downloads. Wait a minute, then ask again.", http.StatusTooManyRequests)
		return nil, false
	}
	select {
	case s.exporting <- struct{}{}:
		return func() { <-s.exporting }, true
	default:
		w.Header().Set("Retry-After", "10")
		http.Error(w, "Another download is being made. Ask again when it is done.", http.StatusServiceUnavailable)
		return nil, false
	}
}

// attach says that a file follows and gives the connection time for it.
func attach(w http.ResponseWriter, kind, name string) {
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
}

const asCSV = "text/csv; charset=utf-8; header=present"

// fileDay is the date in a file's name, "" while the clock is not right.
func (s *Server) fileDay() string {
	if f := s.latest.Load(); s.clockTrusted() {
		return "-" + f.snap.Stamp.Wall.UTC().Format(time.DateOnly)
	}
	return ""
}

var errNoHistory = errors.New("this van keeps no history")

func (s *Server) getNightsCSV(w http.ResponseWriter, r *http.Request) {
	if s.opt.Past == nil {
		s.refuse(w, r, http.StatusNotFound, sentenceOf(errNoHistory))
		return
	}
	done, ok := s.export(w, r)
	if !ok {
		return
	}
	defer done()
	ctx, cancel := context.WithTimeout(r.Context(), exportWait)
	defer cancel()
	rows, err := s.opt.Past.Nights(ctx, 10_000) // more nights than a van lives
	if err != nil {
		s.noExport(w, r, err)
		return
	}
	attach(w, asCSV, "nights"+s.fileDay()+".csv")
	if err := nights.WriteCSV(w, rows); err != nil {
		s.opt.Log.Warn("download ended early", "path", r.URL.Path, "err", err)
	}
}

func (s *Server) noExport(w http.ResponseWriter, r *http.Request, err error) {
	s.opt.Log.Error("history not read", "path", r.URL.Path, "err", err)
	s.refuse(w, r, http.StatusServiceUnavailable, "The store does not answer. The log of the board says why.")
}

// moment is a time of a query: RFC 3339, or a date for its first second by UTC.
func moment(text string) (time.Time, error) {
	if t, err := time.Parse(time.DateOnly, text); err == nil {
		return t, nil
	}
	t, err := core.ParseWall(text)
	if err == nil && t.IsZero() {
		err = errors.New("give a date, as 2026-11-25, or a moment, as 2026-11-25T18:00:00Z")
	}
	return t, err
}

// getSeriesCSV is the history of one or more quantities, a line for each stretch of one of
// them: its least, mean and most value in the unit the name ends in. Up to two days come by
// the minute, up to sixty by the quarter of an hour, longer spans by the hour.
func (s *Server) getSeriesCSV(w http.ResponseWriter, r *http.Request) {
	if err := r.ParseForm(); err != nil {
		http.Error(w, "The request could not be read.", http.StatusBadRequest)
		return
	}
	names := r.Form["name"]
	from, err := moment(r.Form.Get("from"))
	to, err2 := moment(r.Form.Get("to"))
	if err = errors.Join(err, err2); err == nil && !from.Before(to) {
		err = errors.New("give from and to, with from before to")
	}
	for _, name := range names {
		if err == nil && !seriesKnown(name) {
			err = fmt.Errorf("no series is called %q; use a channel or a name of the estimates file, as fuel_kg", name)
		}
	}
	if err == nil && (len(names) == 0 || len(names) > maxSeries) {
		err = fmt.Errorf("name one series, or up to %d", maxSeries)
	}
	switch {
	case err != nil:
		http.Error(w, sentenceOf(err), http.StatusBadRequest)
		return
	case s.opt.Past == nil:
		s.refuse(w, r, http.StatusNotFound, sentenceOf(errNoHistory))
		return
	}
	done, ok := s.export(w, r)
	if !ok {
		return
	}
	defer done()
	ctx, cancel := context.WithTimeout(r.Context(), exportWait)
	defer cancel()
	rows := make([][]core.Bucket, len(names))
	for i, name := range names {
		if rows[i], err = s.opt.Past.Series(ctx, name, from, to, 0); err != nil {
			s.noExport(w, r, err)
			return
		}
	}
	attach(w, asCSV, "series"+s.fileDay()+".csv")
	if err := writeSeries(&patientWriter{w, http.NewResponseController(w)}, names, rows); err != nil {
		s.opt.Log.Warn("download ended early", "path", r.URL.Path, "err", err)
	}
}

func writeSeries(out io.Writer, names []string, rows [][]core.Bucket) error {
	c := csv.NewWriter(out)
	if err := c.Write([]string{"series", "from", "length_s", "min", "mean", "max", "ticks"}); err != nil {
		return err
	}
	for i, name := range names {
		for _, b := range rows[i] {
			err := c.Write([]string{name, core.FormatWall(b.FromWall), show.Plain(b.Length.Seconds(), 0),
				show.Plain(b.Min, 4), show.Plain(b.Mean, 4), show.Plain(b.Max, 4), strconv.Itoa(b.N)})
			if err != nil {
				return err
			}
		}
	}
	c.Flush()
	return c.Error()
}

// patientWriter renews the deadline of the connection with each write, so that a long
// download over a slow network goes on as long as the phone takes bytes.
type patientWriter struct {
	w       io.Writer
	control *http.ResponseController
}

const exportPatient = 30 * time.Second

func (p *patientWriter) Write(b []byte) (int, error) {
	if err := p.control.SetWriteDeadline(time.Now().Add(exportPatient)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.w.Write(b)
}

// getBackup sends the file that restore takes. Nothing is sent before it is whole.
func (s *Server) getBackup(w http.ResponseWriter, r *http.Request) {
	if s.opt.Backup == nil {
		s.refuse(w, r, http.StatusNotFound, sentenceOf(errNoHistory))
		return
	}
	done, ok := s.export(w, r)
	if !ok {
		return
	}
	defer done()
	// Making it takes longer than a page may.
	if err := http.NewResponseController(w).SetWriteDeadline(time.Now().Add(exportWait + exportPatient)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		s.opt.Log.Warn("no time for a backup", "err", err)
	}
	ctx, cancel := context.WithTimeout(r.Context(), exportWait)
	defer cancel()
	file, err := s.opt.Backup(ctx)
	if err != nil {
		s.opt.Log.Error("no backup", "err", err)
		s.refuse(w, r, http.StatusServiceUnavailable, "No backup could be made: "+err.Error()+".")
		return
	}
	defer file.Close()
	s.opt.Log.Info("backup taken", "by", visitorOf(r).actor())
	attach(w, "application/gzip", "frostline"+s.fileDay()+".tar.gz")
	if _, err := io.Copy(&patientWriter{w, http.NewResponseController(w)}, file); err != nil {
		s.opt.Log.Warn("download ended early", "path", r.URL.Path, "err", err)
		panic(http.ErrAbortHandler) // or the phone would keep half a file for a whole one
	}
}

// postData erases. The form was confirmed: it must say so in a field of its own.
func (s *Server) postData(w http.ResponseWriter, r *http.Request) {
	if !readForm(w, r) {
		return
	}
	if r.PostForm.Get("do") != "erase" || r.PostForm.Get("sure") != "yes" {
		s.sendData(w, r, http.StatusUnprocessableEntity, notice{"Nothing was erased: tick the box to say that you mean it.", true})
		return
	}
	said, err := s.erase(r)
	if err != nil {
		s.sendData(w, r, eraseStatus(err), notice{sentence(err), true})
		return
	}
	keepSession(w, r, "", 0)
	s.sendDoor(w, visitor{}.on(r), http.StatusOK, doorData{Said: notice{Text: said}})
}

func (s *Server) postEraseJSON(w http.ResponseWriter, r *http.Request) {
	var in struct {
		Sure bool `json:"sure"`
	}
	if !s.readJSON(w, r, &in) {
		return
	}
	if !in.Sure {
		s.sendError(w, http.StatusConflict, errors.New(`nothing was erased: send "sure": true`))
		return
	}
	said, err := s.erase(r)
	if err != nil {
		s.sendError(w, eraseStatus(err), err)
		return
	}
	s.sendJSON(w, http.StatusOK, struct {
		Erased string `json:"erased"`
	}{said})
}

func eraseStatus(err error) int {
	if errors.Is(err, errReadOnly) {
		return http.StatusForbidden
	}
	return http.StatusServiceUnavailable
}

var errNoErase = errors.New("this program keeps nothing that could be erased here")

// erase asks for it and says what was done. What was erased includes the pairings.
func (s *Server) erase(r *http.Request) (string, error) {
	if s.opt.Erase == nil {
		return "", errNoErase
	}
	if !s.opt.Writable && !atBoard(r) {
		return "", errReadOnly
	}
	if sentOut(s.latest.Load().snap) {
		return "", errors.New("an alarm that sends people out stands, and erasing would forget it: reset it first, from outside, then erase")
	}
	// A phone that leaves meanwhile must not leave it half done.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), commandWait)
	defer cancel()
	s.opt.Log.Warn("erasing was asked for", "by", visitorOf(r).actor())
	return s.opt.Erase(ctx)
}

package web

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strconv"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/nights"
	"frostline/daemon/show"
	"frostline/sensors"
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
	if s.opt.Past != nil {
		d.Series = slices.DeleteFunc(s.opt.Past.Names(), func(name string) bool { return sensors.Channel(name).IsHealth() })
	}
	if f.whole() && f.snap.Est.ClockTrusted {
		day := f.snap.Stamp.Wall.UTC().Truncate(24 * time.Hour)
		d.From, d.To = day.AddDate(0, 0, -6).Format(time.DateOnly), day.AddDate(0, 0, 1).Format(time.DateOnly)
	}
	s.send(w, r, status, "data.html", d)
}

// maxSeries bounds the memory of one download: each may be a year of hours.
const maxSeries = 8

// exportWait bounds what a download waits for the store. It is asked for by hand and may
// be long; one at a time, so that it takes nothing from the page.
const exportWait = 2 * time.Minute

// errNoHistory and errStoreSilent are what is said of a history that is not there now. What
// the store itself said is for the log.
var (
	errNoHistory   = errors.New("history: this van keeps none, or could not open its store; the first page says which")
	errStoreSilent = errors.New("history: the store does not answer; the log of the board says why")
)

// storeSilent logs what the store said.
func (s *Server) storeSilent(r *http.Request, err error) error {
	s.opt.Log.Error("history not read", "path", r.URL.Path, "err", err)
	return errStoreSilent
}

// download is a file that a person takes: ask asks the store and gives what then writes it.
type download struct {
	kind, name, ending string // content type; name and ending of the file, the day stands between
	ask                func(context.Context) (write func(io.Writer) error, err error)
}

const asCSV = "text/csv; charset=utf-8; header=present"

// sendDownload makes the one download there is at a time, or answers why there is none. Nothing is
// sent before the store has answered, and what ends early ends without its last byte, or the
// phone would keep half a file for a whole one.
func (s *Server) sendDownload(w http.ResponseWriter, r *http.Request, d download) {
	if !s.exports.allow(r) {
		w.Header().Set("Retry-After", "60")
		http.Error(w, "Too many downloads. Wait a minute, then ask again.", http.StatusTooManyRequests)
		return
	}
	select {
	case s.exporting <- struct{}{}:
		defer func() { <-s.exporting }()
	default:
		w.Header().Set("Retry-After", "10")
		http.Error(w, "Another download is being made. Ask again when it is done.", http.StatusServiceUnavailable)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), exportWait)
	defer cancel()
	out := &patientWriter{w, http.NewResponseController(w)}
	if err := out.patience(exportWait + exportPatient); err != nil { // making it may take longer than a page may
		s.opt.Log.Warn("no time for a download", "path", r.URL.Path, "err", err)
	}
	write, err := d.ask(ctx)
	if err != nil {
		s.refuse(w, r, http.StatusServiceUnavailable, sentenceOf(err))
		return
	}
	w.Header().Set("Content-Type", d.kind)
	w.Header().Set("Content-Disposition", `attachment; filename="`+d.name+s.fileDay()+d.ending+`"`)
	if err := write(out); err != nil {
		s.opt.Log.Warn("download ended early", "path", r.URL.Path, "err", err)
		panic(http.ErrAbortHandler)
	}
}

// fileDay is the date in a file's name, "" while the clock is not right.
func (s *Server) fileDay() string {
	if f := s.latest.Load(); s.clockTrusted() {
		return "-" + f.snap.Stamp.Wall.UTC().Format(time.DateOnly)
	}
	return ""
}

func (s *Server) getNightsCSV(w http.ResponseWriter, r *http.Request) {
	if s.opt.Past == nil {
		s.refuse(w, r, http.StatusNotFound, sentenceOf(errNoHistory))
		return
	}
	s.sendDownload(w, r, download{asCSV, "nights", ".csv", func(ctx context.Context) (func(io.Writer) error, error) {
		rows, err := s.opt.Past.Nights(ctx, 10_000) // more nights than a van lives
		if err != nil {
			return nil, s.storeSilent(r, err)
		}
		return func(out io.Writer) error { return nights.WriteCSV(out, rows) }, nil
	}})
}

// moment is a time of a query: RFC 3339, or a date for its first second by UTC.
func moment(key, text string) (time.Time, error) {
	if t, err := time.Parse(time.DateOnly, text); err == nil {
		return t, nil
	}
	t, err := core.ParseWall(text)
	if err == nil && t.IsZero() {
		err = errors.New("give a date, as 2026-11-25, or a moment, as 2026-11-25T18:00:00Z")
	}
	if err != nil {
		return time.Time{}, fmt.Errorf("%s: %w", key, err)
	}
	return t, nil
}

// noSeries is the name of a series that is not kept here.
type noSeries string

func (n noSeries) Error() string {
	return fmt.Sprintf("no series is called %q here; use a channel that is wired or an estimate that is kept, as fuel_kg: the page of data lists them", string(n))
}

// asked is which series a query asks for and from when to when.
func (s *Server) asked(r *http.Request) (names []string, from, to time.Time, err error) {
	if err := r.ParseForm(); err != nil {
		return nil, from, to, fmt.Errorf("the query cannot be read: %w", err)
	}
	names = r.Form["name"]
	if len(names) == 0 || len(names) > maxSeries {
		return nil, from, to, fmt.Errorf("name one series, or up to %d", maxSeries)
	}
	kept := s.opt.Past.Names()
	for _, name := range names {
		if !slices.Contains(kept, name) {
			return nil, from, to, noSeries(name)
		}
	}
	if from, err = moment("from", r.Form.Get("from")); err != nil {
		return nil, from, to, err
	}
	if to, err = moment("to", r.Form.Get("to")); err != nil {
		return nil, from, to, err
	}
	if !from.Before(to) {
		return nil, from, to, errors.New("give from and to, with from before to")
	}
	return names, from, to, nil
}

// getSeriesCSV is the history of one or more quantities, a line for each stretch of one of
// them: its least, mean and most value in the unit the name ends in. Up to two days come by
// the minute, up to sixty by the quarter of an hour, longer spans by the hour.
func (s *Server) getSeriesCSV(w http.ResponseWriter, r *http.Request) {
	if s.opt.Past == nil {
		s.refuse(w, r, http.StatusNotFound, sentenceOf(errNoHistory))
		return
	}
	names, from, to, err := s.asked(r)
	if err != nil {
		http.Error(w, sentenceOf(err), http.StatusBadRequest)
		return
	}
	s.sendDownload(w, r, download{asCSV, "series", ".csv", func(ctx context.Context) (func(io.Writer) error, error) {
		rows := make([][]core.Bucket, len(names))
		for i, name := range names {
			if rows[i], err = s.opt.Past.Series(ctx, name, from, to, 0); err != nil {
				return nil, s.storeSilent(r, err)
			}
		}
		return func(out io.Writer) error { return writeSeries(out, names, rows) }, nil
	}})
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

func (p *patientWriter) patience(d time.Duration) error {
	if err := p.control.SetWriteDeadline(time.Now().Add(d)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return err
	}
	return nil
}

func (p *patientWriter) Write(b []byte) (int, error) {
	if err := p.patience(exportPatient); err != nil {
		return 0, err
	}
	return p.w.Write(b)
}

// getBackup sends the file that restore takes.
func (s *Server) getBackup(w http.ResponseWriter, r *http.Request) {
	if s.opt.Backup == nil {
		s.refuse(w, r, http.StatusNotFound, sentenceOf(errNoHistory))
		return
	}
	s.sendDownload(w, r, download{"application/gzip", "frostline", ".tar.gz", func(ctx context.Context) (func(io.Writer) error, error) {
		file, err := s.opt.Backup(ctx)
		if err != nil {
			s.opt.Log.Error("no backup", "err", err)
			return nil, fmt.Errorf("no backup could be made: %w", err)
		}
		s.opt.Log.Info("backup taken", "by", visitorOf(r).actor())
		return func(out io.Writer) error {
			defer file.Close()
			_, err := io.Copy(out, file)
			return err
		}, nil
	}})
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

package web

import (
	"context"
	"encoding/csv"
	"errors"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

func TestTheLedgerAndEachSeriesCanBeTakenAsCSV(t *testing.T) {
	s := pageFor(quietEvening())
	w := ask(s, "GET", "/data/nights.csv", "")
	rows, err := csv.NewReader(w.Body).ReadAll()
	if w.Code != 200 || err != nil || len(rows) < 2 || rows[0][0] != "date" || !strings.HasPrefix(rows[1][0], "2026-") {
		t.Errorf("nights: %d, %v, %v", w.Code, err, rows)
	}
	if got := w.Header().Get("Content-Disposition"); got != `attachment; filename="nights-2026-11-25.csv"` {
		t.Errorf("nights are a file of the name %q", got)
	}
	w = ask(s, "GET", "/data/series.csv?name=fuel_kg&name=gas_v&from=2026-11-25&to=2026-11-26", "")
	rows, err = csv.NewReader(w.Body).ReadAll()
	if w.Code != 200 || err != nil || len(rows) < 3 {
		t.Fatalf("series: %d, %v, %d rows", w.Code, err, len(rows))
	}
	seen := map[string]bool{}
	for _, r := range rows[1:] {
		seen[r[0]] = true
		if len(r) != 7 || !strings.HasPrefix(r[1], "2026-11-2") || !strings.HasSuffix(r[1], "Z") {
			t.Fatalf("row %v", r)
		}
	}
	if !seen["fuel_kg"] || !seen["gas_v"] {
		t.Errorf("series of %v, want both", seen)
	}
	page := ask(s, "GET", "/data", "").Body.String()
	for name, offered := range map[string]bool{"fuel_low_kg": true, "gas_v": true, "gross_kg": false, "store_age_s": false} { // kept, of the van, not kept, of the program
		if strings.Contains(page, "<option>"+name+"</option>") != offered {
			t.Errorf("the page of data offers %s: %v", name, !offered)
		}
	}
	if !strings.Contains(page, "<option>fuel_kg</option>") || !strings.Contains(page, `value="2026-11-26"`) {
		t.Error("the page of data offers no series or no days")
	}
	for _, query := range []string{"", "name=fuel_kg", "name=fuel_kg&from=2026-11-26&to=2026-11-25", "name=owner_s&from=2026-11-25&to=2026-11-26", "name=gross_kg&from=2026-11-25&to=2026-11-26", "name=fuel_kg&from=x&to=2026-11-26", "name=%zz",
		strings.Repeat("name=fuel_kg&", 500) + "from=2026-11-25&to=2026-11-26"} {
		if w := ask(s, "GET", "/data/series.csv?"+query, ""); w.Code != 400 {
			t.Errorf("%.60s: %d, want 400", query, w.Code)
		}
	}
}

func TestADownloadOfAVanWithoutHistoryIsRefusedAndAStoreThatFailsIsSaid(t *testing.T) {
	gone := pageFor(quietEvening(), func(o *Options) { o.Past = nil })
	broken := pageFor(quietEvening(), func(o *Options) {
		o.Past = diary{errors.New("disk I/O error at /secret")}
		o.Backup = func(context.Context) (io.ReadCloser, error) { return nil, errors.New("no room on the disk") }
	})
	for _, path := range []string{"/data/nights.csv", "/data/series.csv?name=fuel_kg&from=2026-11-25&to=2026-11-26", "/data/backup"} {
		if w := ask(gone, "GET", path, ""); w.Code != 404 {
			t.Errorf("%s without a history: %d, want 404", path, w.Code)
		}
		if w := ask(broken, "GET", path, ""); w.Code != 503 || strings.Contains(w.Body.String(), "secret") || w.Header().Get("Content-Disposition") != "" {
			t.Errorf("%s of a broken store: %d %s, want 503, its own words kept", path, w.Code, w.Body)
		}
	}
}

// halfway fails after its text.
type halfway struct{ io.Reader }

func (halfway) Close() error { return nil }

func TestABackupIsOneFileAndNeverHalfOfOne(t *testing.T) {
	text := strings.Repeat("packed", 1000)
	whole := pageFor(quietEvening(), func(o *Options) {
		o.Backup = func(context.Context) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader(text)), nil }
	})
	w := ask(whole, "GET", "/data/backup", "")
	if w.Code != 200 || w.Body.String() != text || w.Header().Get("Content-Disposition") != `attachment; filename="frostline-2026-11-25.tar.gz"` {
		t.Errorf("backup: %d, %d bytes, %q", w.Code, w.Body.Len(), w.Header().Get("Content-Disposition"))
	}
	srv := httptest.NewServer(pageFor(quietEvening(), func(o *Options) {
		o.Backup = func(context.Context) (io.ReadCloser, error) {
			return halfway{io.MultiReader(strings.NewReader(text), errorReader{})}, nil
		}
	}))
	defer srv.Close()
	answer, err := http.Get(srv.URL + "/data/backup")
	if err == nil {
		_, err = io.Copy(io.Discard, answer.Body)
		answer.Body.Close()
	}
	if err == nil {
		t.Error("a phone takes half a backup for a whole one")
	}
}

// slow is a phone at the edge of the network: it has got room for some bytes, then it is gone.
type slow struct {
	header    http.Header
	room      int
	deadlines int
}

func (s *slow) Header() http.Header              { return s.header }
func (s *slow) WriteHeader(int)                  {}
func (s *slow) SetWriteDeadline(time.Time) error { s.deadlines++; return nil }
func (s *slow) Write(b []byte) (n int, err error) {
	if s.room -= len(b); s.room < 0 {
		return 0, errors.New("broken pipe")
	}
	return len(b), nil
}

// A file in the making holds the only place for downloads, and goes over a slow network: each
// write has its own time, and one that breaks off is never taken for whole.
func TestAnyDownloadIsPatientAndNeverHalf(t *testing.T) {
	for _, path := range []string{"/data/nights.csv", "/data/series.csv?name=fuel_kg&from=2026-11-25&to=2026-11-26", "/data/backup"} {
		s := pageFor(quietEvening(), func(o *Options) {
			o.Backup = func(context.Context) (io.ReadCloser, error) { return io.NopCloser(strings.NewReader("packed")), nil }
		})
		get := func(room int) (w *slow, ended any) {
			defer func() { ended = recover() }()
			r := httptest.NewRequest("GET", path, nil)
			r.Host = "localhost"
			w = &slow{header: http.Header{}, room: room}
			s.ServeHTTP(w, r)
			return w, nil
		}
		if w, ended := get(1 << 20); ended != nil || w.deadlines < 2 {
			t.Errorf("%s: ended by %v after %d deadlines, want one before it is made and one for each write", path, ended, w.deadlines)
		}
		if _, ended := get(3); ended != http.ErrAbortHandler {
			t.Errorf("%s breaks off with %v, which the phone takes for its end", path, ended)
		}
		if len(s.exporting) != 0 {
			t.Errorf("%s keeps its place", path)
		}
	}
}

type errorReader struct{}

func (errorReader) Read([]byte) (int, error) { return 0, errors.New("disk I/O error") }

func TestDownloadsAreFewAndOneAtATime(t *testing.T) {
	s := pageFor(quietEvening())
	s.exporting <- struct{}{}
	if w := ask(s, "GET", "/data/nights.csv", ""); w.Code != 503 || w.Header().Get("Retry-After") == "" {
		t.Errorf("beside another download: %d", w.Code)
	}
	<-s.exporting
	codes := map[int]int{}
	for range 20 {
		codes[ask(s, "GET", "/data/nights.csv", "").Code]++
	}
	if codes[200] == 0 || codes[429] < 10 {
		t.Errorf("twenty at once: %v, want a few and then 429", codes)
	}
}

func TestErasingIsAskedForTwiceAndDoneOnce(t *testing.T) {
	done := 0
	s, cookies := paired(t, func(o *Options) {
		o.Erase = func(context.Context) (string, error) { done++; return "Erased. All of it.", nil }
	})
	form := []string{"Content-Type", asForm, "Cookie", cookies[owner]}
	page := ask(s, "GET", "/data", "", form[2:]...).Body.String()
	if !strings.Contains(page, "It cannot be undone") || strings.Index(page, "It cannot be undone") > strings.Index(page, `value="erase"`) {
		t.Error("the page does not say what erasing does before its button")
	}
	for _, body := range []string{"do=erase", "do=erase&sure=no", "sure=yes", ""} {
		if w := ask(s, "POST", "/data", body, form...); w.Code != 422 {
			t.Errorf("%q: %d, want 422", body, w.Code)
		}
	}
	for _, body := range []string{"{}", `{"sure":false}`} {
		if w := ask(s, "POST", "/api/erase", body, "Content-Type", asJSON, "Cookie", cookies[owner]); w.Code != 409 {
			t.Errorf("%s: %d, want 409", body, w.Code)
		}
	}
	if w := ask(s, "POST", "/data", "do=erase&sure=yes", "Content-Type", asForm, "Cookie", cookies[viewer]); w.Code != 403 {
		t.Errorf("a viewer: %d, want 403", w.Code)
	}
	if done != 0 {
		t.Fatalf("erased %d times without being sure", done)
	}
	w := ask(s, "POST", "/data", "do=erase&sure=yes", form...)
	if w.Code != 200 || done != 1 || !strings.Contains(w.Body.String(), "Erased. All of it.") || w.Result().Cookies()[0].MaxAge >= 0 {
		t.Errorf("erasing: %d, %d times", w.Code, done)
	}
	if w := ask(pageFor(quietEvening()), "POST", "/data", "do=erase&sure=yes", "Content-Type", asForm); w.Code != 503 {
		t.Errorf("where nothing is kept: %d, want 503", w.Code)
	}
}

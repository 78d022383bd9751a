// Package web shows the van to a phone and to machines: the page, a JSON API, live updates
// as server-sent events, and /metrics. Everything is rendered from the newest
// [core.Snapshot], so page, API and metrics cannot disagree.
//
// The page works with scripts off, asks nothing of any other host, and is no way to wake
// anyone: its stream ends when the phone sleeps. It complements a certified gas alarm and
// says so wherever it shows gas.
//
// Who listens beyond the board must pair its phones: a [Server] knows them by a cookie, keeps
// their names and the hashes of their sessions in one file, and holds every route to the least
// role that may ask for it.
//
// A [Server] starts no goroutine but one, for the length of a write: that notes once a day when
// a phone was seen, and a card that hangs must not hold the page. Each write to a stream or of a
// download carries its own deadline, in place of the WriteTimeout of the http.Server; its owner
// ends open streams by cancelling the server's base context.
package web

import (
	"context"
	"errors"
	"html/template"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"sync/atomic"
	"time"

	"frostline/daemon/core"
	"frostline/daemon/nights"
	"frostline/sensors"
)

// certified is said wherever gas is shown.
const certified = "A certified gas alarm is the watch. This is a second pair of eyes and never replaces it."

// staleAfter is two beats of the slowest tick the daemon allows (10 s) and time to read the
// sensors: when nothing newer has been delivered for that long, the numbers are old.
const staleAfter = 25 * time.Second

// Past is what the page asks of the store. Names are of the series that are kept, Series returns at most maxPoints stretches
// between from and to, or for 0 as many as there are; Events returns the newest events with a Seq below beforeSeq (0 means
// from the newest), newest first; EventsIn returns those in [from, to), oldest first; Nights
// returns the newest rows of the ledger, oldest first; NightsNear returns the row of a date
// with the rows before and after it.
type Past interface {
	Names() []string
	Series(ctx context.Context, name string, from, to time.Time, maxPoints int) ([]core.Bucket, error)
	Events(ctx context.Context, beforeSeq uint64, limit int) ([]core.Event, error)
	EventsIn(ctx context.Context, from, to time.Time) ([]core.Event, error)
	Nights(ctx context.Context, limit int) ([]nights.Night, error)
	NightsNear(ctx context.Context, date string) ([]nights.Night, error)
}

// Options is what the page must know besides the snapshots. The zero value serves a page
// that can only be read.
type Options struct {
	Open    bool                                      // everybody who reaches the page is its owner: it listens on this board alone
	Glance  bool                                      // who is not paired may look
	Listen  string                                    // host:port the page listens on, for the links of pairing; "" if no phone can reach it
	HTTPS   bool                                      // it listens there with TLS
	Phones  string                                    // file of the paired phones; "" keeps them for this run only
	Hosts   []string                                  // names the page may be asked for, besides localhost, the host's own name and its addresses
	Command func(context.Context, core.Command) error // returns once the command's effect is committed; its error is shown to the person
	Past    Past                                      // nil if no history is kept
	Unkept  bool                                      // one should be, and its store could not be opened at the start
	Nights  nights.Params                             // for the window of a night
	Metrics bool                                      // serve /metrics
	// Backup makes a file of everything, whole. nil if nothing is kept.
	Backup func(context.Context) (io.ReadCloser, error)
	// Erase forgets everything, pairings too, and returns in words what it did; the program
	// starts anew at once. nil if nothing is kept.
	Erase func(context.Context) (string, error)
	// MetricsToken lets a scraper read /metrics without being paired; "" lets none.
	MetricsToken string
	Version      string
	Revision     string
	Built        time.Time                                 // when this program was made; zero if that is not known
	Log          *slog.Logger                              // nil discards
	Sounder      bool                                      // a sounder is fitted that the configuration calls tested
	Drill        func(sound string) (time.Duration, error) // plays a sound of an alarm and says how long it takes; nil: no sounder is fitted
	Writable     bool                                      // forms and commands are taken
	VanName      string                                    // shown on the page only
	Zone         *time.Location                            // of the times on the page; nil is UTC
	Paths        []Path                                    // ways people outside are told, in the order of the page
}

// Server is the page. It is an http.Handler and an output of the daemon.
type Server struct {
	opt     Options
	hosts   map[string]bool
	assets  assets
	page    *template.Template
	router  router
	cross   *http.CrossOriginProtection
	latest  atomic.Pointer[frame]
	streams chan struct{} // one token per open stream

	phones    *phones
	tries     *limit        // tries to pair
	exports   *limit        // downloads
	exporting chan struct{} // holds a token while one is made
	localName string        // what the board is called on its network
	told      told
}

// frame is one delivery: the snapshot (nil before the first), when it came by real time,
// and a channel that is closed when the next one is there.
type frame struct {
	snap *core.Snapshot
	at   time.Time
	next chan struct{}
}

// ageS is how long ago the frame was delivered.
func (f *frame) ageS() float64 { return time.Since(f.at).Seconds() }

// stale reports whether a newer snapshot is overdue. Before the first there is nothing to
// be stale.
func (f *frame) stale() bool { return f.snap != nil && time.Since(f.at) > staleAfter }

// New prepares the page. It reads the host's name once; everything else it needs is in o.
func New(o Options) *Server {
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Zone == nil {
		o.Zone = time.UTC
	}
	s := &Server{
		opt:     o,
		hosts:   allowedHosts(o.Hosts),
		assets:  loadAssets(),
		cross:   http.NewCrossOriginProtection(),
		streams: make(chan struct{}, maxStreams),
		phones:  loadPhones(o.Phones, o.Log),
		tries:   newLimit(10*time.Second, 5),
		told:    told{paths: o.Paths},
		exports: newLimit(10*time.Second, 6), exporting: make(chan struct{}, 1),
	}
	s.page, s.localName = loadPage(), localName()
	s.router.refuse = s.turnAway
	s.latest.Store(&frame{at: time.Now(), next: make(chan struct{})})
	s.routes()
	return s
}

// Deliver makes snap the newest. It never blocks: streams that are slow skip to whatever
// is newest when they next look.
func (s *Server) Deliver(snap *core.Snapshot) {
	old := s.latest.Swap(&frame{snap: snap, at: time.Now(), next: make(chan struct{})})
	close(old.next)
}

// Health has nothing to report: the page keeps no queue.
func (s *Server) Health(func(sensors.Channel, sensors.Reading)) {}

// routes names every route with the least role that may ask for it.
func (s *Server) routes() {
	h := s.router.handle
	h("GET /{$}", viewer, s.getPage)
	h("GET /night/{date}", viewer, s.getNight)
	h("GET /assets/{name}", nobody, s.assets.serve)
	h("GET "+manifestPath, nobody, s.getManifest)
	h("GET /api/snapshot", viewer, s.getSnapshot)
	h("GET /api/alarms", viewer, s.getAlarms)
	h("GET /api/events", viewer, s.getEvents)
	h("GET /api/nights", viewer, s.getNights)
	h("GET /api/series", viewer, s.getSeries)
	h("GET /api/stream", viewer, s.getStream)
	h("POST /api/command", owner, s.postCommand)
	h("POST /do", owner, s.postForm)
	h("POST /look", viewer, s.postLook)
	h("GET /pair", nobody, s.getPair)
	h("POST /pair", nobody, s.postPair)
	h("POST /unpair", nobody, s.postUnpair)
	h("GET /phones", owner, s.getPhones)
	h("POST /phones", owner, s.postPhones)
	h("GET /api/phones", owner, s.getPhonesJSON)
	h("POST /api/pair", owner, s.postInviteJSON)
	h("POST /api/revoke", owner, s.postRevokeJSON)
	h("POST /test/{path}", owner, s.postTest)
	h("GET /change", owner, s.getDoing("change", nil))
	h("POST /change", owner, s.postPreview)
	h("GET /check", owner, s.getDoing("check", s.getCheck))
	h("GET /api/calibration", owner, s.getCalibration)
	h("POST /api/drill", board, s.postDrill)
	h("GET /calibrate", owner, s.getCalibrate)
	h("POST /calibrate", owner, s.postCalibrate)
	h("GET /data", owner, s.getData)
	h("POST /data", owner, s.postData)
	h("GET /data/nights.csv", owner, s.getNightsCSV)
	h("GET /data/series.csv", owner, s.getSeriesCSV)
	h("GET /data/backup", owner, s.getBackup)
	h("POST /api/erase", owner, s.postEraseJSON)
	if s.opt.Metrics {
		h("GET "+metricsPath, viewer, s.metrics().ServeHTTP)
	}
}

const metricsPath = "/metrics"

// ServeHTTP answers one request. Headers, the host list and the cross-origin check stand
// before every route, whatever the method.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	secure(w.Header())
	onlyHTTPS(w, r)
	switch {
	case !s.hostAllowed(r.Host):
		s.refuse(w, r, http.StatusMisdirectedRequest, "This name is not one this page answers to. Use the address of the van's board, or add the name to the configuration.")
	case r.Method == http.MethodTrace:
		w.Header().Set("Allow", "GET, HEAD, POST")
		s.refuse(w, r, http.StatusMethodNotAllowed, "TRACE is refused.")
	case s.cross.Check(r) != nil:
		s.opt.Log.Warn("request from another site refused", "path", r.URL.Path, "origin", r.Header.Get("Origin"))
		s.refuse(w, r, http.StatusForbidden, "This request came from another site and is refused.")
	default:
		s.router.mux.ServeHTTP(w, s.visitor(r).on(r))
	}
}

// errReadOnly is said when a command comes to a page that takes none.
var errReadOnly = errors.New("this page can only be read: the configuration switches its buttons off, and orders are taken on the board itself")

// refuse answers a machine in JSON and a person in plain text.
func (s *Server) refuse(w http.ResponseWriter, r *http.Request, status int, why string) {
	if strings.HasPrefix(r.URL.Path, "/api/") {
		s.sendError(w, status, errors.New(why))
		return
	}
	http.Error(w, why, status)
}

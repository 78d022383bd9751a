package web

import (
	"bufio"
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"net/netip"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"frostline/alerts"
	"frostline/daemon/core"
)

// wire is a listener in memory, so that a stream can be followed in fake time.
type wire struct {
	conns chan net.Conn
	done  chan struct{}
}

func (w wire) Accept() (net.Conn, error) {
	select {
	case c := <-w.conns:
		return c, nil
	case <-w.done:
		return nil, net.ErrClosed
	}
}
func (w wire) Close() error   { close(w.done); return nil }
func (w wire) Addr() net.Addr { return &net.TCPAddr{IP: net.IPv4(127, 0, 0, 1), Port: 8460} }

// phone is one open stream.
type phone struct {
	t    *testing.T
	conn net.Conn
	resp *http.Response
	r    *bufio.Reader
}

// cable is a connection from an address of its own.
type cable struct {
	net.Conn
	from netip.Addr
}

func (c cable) RemoteAddr() net.Addr {
	return net.TCPAddrFromAddrPort(netip.AddrPortFrom(c.from, 1024))
}

// follow serves s in memory until the test ends, and gives a function that opens a stream: each
// from the next address, or from the one of the header From.
func follow(t *testing.T, s *Server) (open func(header ...string) *phone, stop func()) {
	w := wire{make(chan net.Conn), make(chan struct{})}
	base, cancel := context.WithCancel(t.Context())
	srv := &http.Server{Handler: s, BaseContext: func(net.Listener) context.Context { return base }}
	go srv.Serve(w)
	next := netip.MustParseAddr("192.0.2.20")
	open = func(header ...string) *phone {
		t.Helper()
		near, far := net.Pipe()
		next = next.Next()
		from := next
		for _, h := range header {
			if named, ok := strings.CutPrefix(h, "From: "); ok {
				from = netip.MustParseAddr(strings.TrimSpace(named))
			}
		}
		w.conns <- cable{far, from}
		io.WriteString(near, "GET /api/stream HTTP/1.1\r\nHost: localhost\r\n"+strings.Join(header, "")+"\r\n")
		r := bufio.NewReader(near)
		resp, err := http.ReadResponse(r, nil)
		if err != nil {
			t.Fatalf("no answer on the stream: %v", err)
		}
		return &phone{t, near, resp, bufio.NewReader(resp.Body)}
	}
	return open, func() { cancel(); srv.Close() }
}

// refusedFor holds the words of a refusal against those that say why.
func (p *phone) refusedFor(why string) {
	p.t.Helper()
	body := make([]byte, p.resp.ContentLength)
	if _, err := io.ReadFull(p.r, body); err != nil || !strings.Contains(string(body), why) {
		p.t.Errorf("refused with %q, %v; want %q", body, err, why)
	}
}

// event reads the next event, or a comment as event ":".
func (p *phone) event() (name string, data snapshotJSON) {
	p.t.Helper()
	for {
		line, err := p.r.ReadString('\n')
		if err != nil {
			p.t.Fatalf("stream ended: %v", err)
		}
		line = strings.TrimSuffix(line, "\n")
		switch {
		case strings.HasPrefix(line, ":"):
			p.r.ReadString('\n')
			return ":", data
		case strings.HasPrefix(line, "event: "):
			name = line[len("event: "):]
		case strings.HasPrefix(line, "data: "):
			if err := json.Unmarshal([]byte(line[len("data: "):]), &data); err != nil {
				p.t.Fatalf("data is no JSON: %v", err)
			}
		case line == "":
			return name, data
		}
	}
}

func TestAStreamBeginsWithEverythingAndThenSaysWhatChanged(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		defer stop()
		p := open()
		if got := p.resp.Header.Get("Content-Type"); got != "text/event-stream; charset=utf-8" {
			t.Errorf("content type %q", got)
		}
		checkHeaders(t, "stream", p.resp.Header, false)
		name, all := p.event()
		if name != "snapshot" || len(all.Numbers) != len(numbers()) || all.Alarms == nil || all.Tonight == nil || all.Totals == nil || all.Gas == nil {
			t.Fatalf("first event %q holds %d numbers, want a whole snapshot", name, len(all.Numbers))
		}
		began := time.Now()
		next := later(quietEvening(), time.Second)
		next.Est.FuelKg = good(5.1, 4.8, 5.4)
		s.Deliver(next)
		name, change := p.event()
		if name != "change" || change.Stamp == nil || change.Stamp.Tick != next.Tick {
			t.Fatalf("second event %q with stamp %+v, want the change of the next tick", name, change.Stamp)
		}
		if len(change.Numbers) != 1 || *change.Numbers["fuel_kg"].Value != 5.1 || change.Text["fuel_kg"] != "5.1" {
			t.Errorf("change holds numbers %v and text %v, want the fuel alone", change.Numbers, change.Text)
		}
		if change.Alarms != nil || change.Tonight != nil || change.Channels != nil || change.Totals != nil {
			t.Error("change repeats what did not change")
		}
		if d := time.Since(began); d != streamGap {
			t.Errorf("change came after %v, want %v after the event before it", d, streamGap)
		}
	})
}

// later is the snapshot some time on, every quantity read anew.
func later(snap *core.Snapshot, d time.Duration) *core.Snapshot {
	snap.Stamp.Up += d
	snap.Stamp.Wall = snap.Stamp.Wall.Add(d)
	snap.Tick++
	return snap
}

func TestAStreamSendsAtMostOneEventASecondAndAlwaysTheNewest(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		defer stop()
		p := open()
		p.event()
		for i := range 100 { // a van in fast time
			next := quietEvening()
			next.Tick = uint64(i)
			s.Deliver(next)
			time.Sleep(5 * time.Millisecond)
		}
		if _, change := p.event(); change.Stamp.Tick != 99 {
			t.Errorf("the change is of tick %d, want the newest, 99", change.Stamp.Tick)
		}
		began := time.Now()
		if name, _ := p.event(); name != ":" || time.Since(began) < streamBeat {
			t.Errorf("then %q after %v, want nothing but the keep-alive", name, time.Since(began))
		}
	})
}

func TestAnAlarmReachesTheStreamWithANewShape(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		defer stop()
		p := open()
		_, all := p.event()
		s.Deliver(with(later(quietEvening(), time.Second), leaveGas(alerts.Unacked)))
		_, change := p.event()
		if change.Alarms == nil || (*change.Alarms)[0].State != "unacknowledged" {
			t.Fatalf("alarms of the change: %+v, want the leave alarm", change.Alarms)
		}
		if change.Text["shape"] == "" || change.Text["shape"] == all.Text["shape"] {
			t.Errorf("shape %q after %q, want another so that the page is drawn anew", change.Text["shape"], all.Text["shape"])
		}
	})
}

func TestASilentVanStillKeepsTheLineOpen(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		open, stop := follow(t, pageFor(nil))
		defer stop()
		p := open()
		began := time.Now()
		if name, first := p.event(); name != "snapshot" || first.Numbers != nil || first.Text["verdict"] != "Nothing known yet." {
			t.Errorf("before the first tick: event %q, text %q", name, first.Text["verdict"])
		}
		for i := range 3 {
			name, _ := p.event()
			if want := streamGap + time.Duration(i+1)*streamBeat; name != ":" || time.Since(began) != want {
				t.Errorf("%d: %q after %v, want a comment after %v", i, name, time.Since(began), want)
			}
		}
	})
}

func TestAPhoneThatTakesNothingIsDropped(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		defer stop()
		p := open() // and never reads again
		for range 30 {
			s.Deliver(later(quietEvening(), time.Second)) // returns at once
			time.Sleep(time.Second)
		}
		synctest.Wait()
		if n := len(s.streams); n != 0 {
			t.Errorf("%d streams are open, want the stuck one dropped", n)
		}
		p.conn.Close()
	})
}

func TestAPhoneThatGoesFreesItsPlace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		defer stop()
		var phones []*phone
		for range maxStreams {
			p := open()
			p.event()
			phones = append(phones, p)
		}
		extra := open()
		if extra.resp.StatusCode != http.StatusServiceUnavailable || extra.resp.Header.Get("Retry-After") == "" {
			t.Errorf("one phone too many: %d, want 503 with Retry-After", extra.resp.StatusCode)
		}
		phones[0].conn.Close()
		synctest.Wait()
		again := open()
		if again.resp.StatusCode != http.StatusOK {
			t.Errorf("after one left: %d, want 200", again.resp.StatusCode)
		}
	})
}

// Where everybody is the owner no session tells one client from another, so the address does.
func TestOneAddressCannotTakeEveryStream(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		var first *phone
		for i := range maxOfAddress + 1 {
			p := open("From: 192.0.2.10\r\n")
			if got, want := p.resp.StatusCode == 200, i < maxOfAddress; got != want {
				t.Errorf("stream %d of one address: %d", i+1, p.resp.StatusCode)
			} else if !want {
				p.refusedFor("6 pages follow for the address of this phone already")
			}
			if first == nil {
				first = p
			}
		}
		if p := open("From: 192.0.2.11\r\n"); p.resp.StatusCode != 200 {
			t.Errorf("another address: %d", p.resp.StatusCode)
		}
		first.event()
		first.conn.Close()
		synctest.Wait()
		if p := open("From: 192.0.2.10\r\n"); p.resp.StatusCode != 200 {
			t.Errorf("after one was closed: %d", p.resp.StatusCode)
		}
		stop()
		synctest.Wait()
		if len(s.phones.open) != 0 {
			t.Errorf("streams that ended are still counted: %v", s.phones.open)
		}
	})
}

func TestStreamsEndWhenTheOwnerStops(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(quietEvening())
		open, stop := follow(t, s)
		p := open()
		p.event()
		stop()
		synctest.Wait()
		if n := len(s.streams); n != 0 {
			t.Errorf("%d streams outlive the server, want none", n)
		}
	})
}

func TestTimePassingAloneDoesNotDrawThePageAnew(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := pageFor(with(quietEvening(), starved(alerts.Shelved)))
		open, stop := follow(t, s)
		defer stop()
		p := open()
		_, all := p.event()
		next := with(later(quietEvening(), time.Minute), starved(alerts.Shelved))
		next.Tonight.Facts = append([]string{}, next.Tonight.Facts...)
		next.Tonight.Facts[0] = "4.8–5.4 kg in the cylinder"
		s.Deliver(next)
		_, change := p.event()
		if shape, changed := change.Text["shape"]; changed {
			t.Errorf("shape went from %q to %q though only words changed", all.Text["shape"], shape)
		}
		if change.Text["fact.0"] != next.Tonight.Facts[0] || change.Text["state.starved"] != "Shelved for another 1 h 39 min." {
			t.Errorf("texts of the change: %v", change.Text)
		}
	})
}

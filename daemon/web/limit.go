package web

import (
	"net"
	"net/http"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// limit is a token bucket for each address and one for all together, so that neither one
// stranger nor many can try for long.
type limit struct {
	mu    sync.Mutex
	every time.Duration
	burst int
	each  map[netip.Prefix]*rate.Limiter
	all   *rate.Limiter
}

// limitAddresses bounds the memory that strangers can take.
const limitAddresses = 512

// newLimit lets an address do burst things at once and then one in each period; all
// addresses together four times as many at once, ten times as often.
func newLimit(every time.Duration, burst int) *limit {
	return &limit{every: every, burst: burst, each: make(map[netip.Prefix]*rate.Limiter),
		all: rate.NewLimiter(rate.Every(every/10), 4*burst)}
}

// allow takes a token, if there is one for the sender and one for all.
func (l *limit) allow(r *http.Request) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	from := sender(r)
	own := l.each[from]
	if own == nil {
		if len(l.each) >= limitAddresses {
			for p, b := range l.each { // into nothing: whoever has waited is forgotten
				if b.Tokens() >= float64(l.burst) {
					delete(l.each, p)
				}
			}
		}
		if len(l.each) >= limitAddresses {
			return false
		}
		own = rate.NewLimiter(rate.Every(l.every), l.burst)
		l.each[from] = own
	}
	return own.Allow() && l.all.Allow()
}

// sender is the network address that counts as one: of IPv6 the /64, since a single
// machine has all the addresses in it.
func sender(r *http.Request) netip.Prefix {
	host, _, err := net.SplitHostPort(r.RemoteAddr)
	if err != nil {
		return netip.Prefix{} // the control socket
	}
	addr, err := netip.ParseAddr(host)
	if err != nil {
		return netip.Prefix{}
	}
	addr = addr.WithZone("").Unmap()
	bits := addr.BitLen()
	if addr.Is6() {
		bits = 64
	}
	p, _ := addr.Prefix(bits) // the length is right by construction
	return p
}

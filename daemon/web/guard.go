package web

import (
	"net"
	"net/http"
	"net/netip"
	"os"
	"strings"
)

// secure sets the headers every answer carries (conventions.md 4.4). The policy allows no
// inline script and no inline style, so a page that was tampered with has little to work
// with. Cross-Origin-Opener-Policy has an effect on HTTPS only. The referrer policy is not
// no-referrer, as conventions.md has it: under that a browser posts each form with "Origin:
// null" (Fetch standard, "append a request Origin header"), and over plain HTTP, where it
// sends no Sec-Fetch-Site, nothing would tell our own form from a foreign one.
func secure(h http.Header) {
	h.Set("Content-Security-Policy", "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "+
		"connect-src 'self'; manifest-src 'self'; form-action 'self'; base-uri 'none'; object-src 'none'; frame-ancestors 'none'")
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Referrer-Policy", "same-origin")
	h.Set("Cross-Origin-Opener-Policy", "same-origin")
	h.Set("Cross-Origin-Resource-Policy", "same-origin")
	h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
	h.Set("Cache-Control", "no-store")
}

// onlyHTTPS asks a browser that came encrypted to come no other way for a month. It holds
// for every port of the name, so it is not longer, and says nothing over plain HTTP.
func onlyHTTPS(w http.ResponseWriter, r *http.Request) {
	if r.TLS != nil {
		w.Header().Set("Strict-Transport-Security", "max-age=2592000")
	}
}

// allowedHosts are the names the page answers to. A page on a van's own network has no
// certificate to prove its name, so a foreign site could point its name at the van and pass
// for the same origin; answering to own names only is the cure (conventions.md 4.3).
func allowedHosts(extra []string) map[string]bool {
	hosts := map[string]bool{"localhost": true}
	add := func(name string) {
		if name = hostName(name); name != "" {
			hosts[name] = true
		}
	}
	if name, err := os.Hostname(); err == nil && name != "" {
		first, _, _ := strings.Cut(name, ".")
		add(name)
		add(first)
	}
	add(localName())
	for _, name := range extra {
		add(name)
	}
	return hosts
}

// localName is what the board is called on its own network, where one answers for names.
func localName() string {
	name, err := os.Hostname()
	first, _, _ := strings.Cut(name, ".")
	if err != nil || first == "" || first == "localhost" {
		return ""
	}
	return first + ".local"
}

// hostName is the host of "host", "host:port" or "[v6]:port": lower case, without port,
// brackets or closing dot.
func hostName(hostport string) string {
	host := hostport
	if h, _, err := net.SplitHostPort(hostport); err == nil {
		host = h
	}
	host = strings.TrimSuffix(strings.TrimPrefix(host, "["), "]")
	return strings.TrimSuffix(strings.ToLower(host), ".")
}

// hostAllowed reports whether the request names this board: by a name of ours, or by an
// address one of its interfaces has now.
func (s *Server) hostAllowed(hostport string) bool {
	host := hostName(hostport)
	if s.hosts[host] {
		return true
	}
	addr, err := netip.ParseAddr(host)
	return err == nil && ownAddress(addr.WithZone("").Unmap())
}

func ownAddress(addr netip.Addr) bool {
	if addr.IsLoopback() {
		return true
	}
	own, err := net.InterfaceAddrs() // asked anew: a phone's hotspot may give another address any time
	if err != nil {
		return false
	}
	for _, a := range own {
		prefix, err := netip.ParsePrefix(a.String())
		if err == nil && prefix.Addr().Unmap() == addr {
			return true
		}
	}
	return false
}

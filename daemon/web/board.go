package web

import "net/http"

// Board is the page for whoever stands at the board: this program's own commands, over a
// socket whose file mode is their authority. The same routes answer, with neither the host
// list nor the cross-origin check, since no browser can be led to a socket in the file
// system, and whether the page takes commands from a phone does not matter there.
func (s *Server) Board() http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		secure(w.Header())
		s.router.mux.ServeHTTP(w, visitor{role: board}.on(r))
	})
}

// atBoard reports whether the request came over the board's own socket.
func atBoard(r *http.Request) bool { return visitorOf(r).role == board }

package web

import (
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/hex"
	"html/template"
	"net/http"
	"strings"
)

//go:embed assets
var files embed.FS

// asset is one embedded file under the name of its content.
type asset struct {
	path string // "/assets/<hash>.css"
	kind string // content type
	body []byte
}

// assets are the files of the page. Their names change with their content, so a phone may
// keep them for ever.
type assets struct {
	css, js, night, doing, pair, icon, icon192, icon512 asset

	mark template.URL // the icon within the page: one request less at the edge of a weak network
}

func loadAssets() assets {
	// One request for each kind, whatever the number of files: a phone at the edge of a
	// weak network pays for each.
	load := func(ext, kind string, names ...string) asset {
		var body []byte
		for _, name := range names {
			part, err := files.ReadFile("assets/" + name + ext)
			if err != nil {
				panic(err) // embedded at build time
			}
			body = append(body, part...)
		}
		sum := sha256.Sum256(body)
		return asset{"/assets/" + hex.EncodeToString(sum[:8]) + ext, kind, body}
	}
	a := assets{
		css:   load(".css", "text/css; charset=utf-8", "page", "doing", "phones", "calibrate"),
		js:    load(".js", "text/javascript; charset=utf-8", "page", "clock"),
		night: load(".js", "text/javascript; charset=utf-8", "night"), // the crosshair: only its page needs it
		doing: load(".js", "text/javascript; charset=utf-8", "doing"), // of the pages that follow nothing
		pair:  load(".js", "text/javascript; charset=utf-8", "pair"),
		icon:  load(".svg", "image/svg+xml", "icon"),

		icon192: load(".png", "image/png", "icon-192"),
		icon512: load(".png", "image/png", "icon-512"),
	}
	a.mark = template.URL("data:image/svg+xml;base64," + base64.StdEncoding.EncodeToString(a.icon.body)) // ours, so it may be trusted
	return a
}

func (a assets) serve(w http.ResponseWriter, r *http.Request) {
	for _, f := range [...]asset{a.css, a.js, a.night, a.doing, a.pair, a.icon, a.icon192, a.icon512} {
		if r.URL.Path == f.path {
			w.Header().Set("Cache-Control", "public, max-age=31536000, immutable")
			w.Header().Set("Content-Type", f.kind)
			packed(w, r, http.StatusOK, f.body)
			return
		}
	}
	http.NotFound(w, r)
}

// packed answers with body, packed for whoever takes it: the edge of a van's Wi-Fi is slow,
// and a page is a fifth of its size.
func packed(w http.ResponseWriter, r *http.Request, status int, body []byte) {
	w.Header().Add("Vary", "Accept-Encoding")
	if !strings.Contains(r.Header.Get("Accept-Encoding"), "gzip") {
		w.WriteHeader(status)
		w.Write(body)
		return
	}
	w.Header().Set("Content-Encoding", "gzip")
	w.WriteHeader(status)
	z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed) // the level is a legal one
	z.Write(body)
	z.Close()
}

package live

import (
	"crypto/subtle"
	"net/http"
	"strings"
)

// guard lets through what a page of this server, or somebody who was told its
// address, asks for. A page of another site reaches a loopback address as well as
// any other, and another user of the machine does, so that each request must name
// this host exactly, come from this page and know the secret in the path.
func (s *Server) guard(next http.Handler) http.Handler {
	_, port, _ := strings.Cut(s.listener.Addr().String(), ":")
	next = http.NewCrossOriginProtection().Handler(next)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", pagePolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cache-Control", "no-store")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		// A name that was made to lead to this machine makes another site's page
		// one of the same origin: only the whole host tells.
		if r.Host != "127.0.0.1:"+port && r.Host != "localhost:"+port {
			refuse(w, http.StatusMisdirectedRequest, "this page is for the browser of this machine, by the address that the program printed")
			return
		}
		secret, rest, found := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
		if !found || subtle.ConstantTimeCompare([]byte(secret), []byte(s.secret)) != 1 {
			refuse(w, http.StatusNotFound, "there is no such page; open the address that the program printed")
			return
		}
		switch r.Header.Get("Sec-Fetch-Site") {
		case "", "none", "same-origin":
		default: // a link on another site may lead here, nothing else may
			if r.Method != http.MethodGet || r.Header.Get("Sec-Fetch-Mode") != "navigate" || r.Header.Get("Sec-Fetch-Dest") != "document" || rest != "" {
				refuse(w, http.StatusForbidden, "another site asked for this; open the address that the program printed")
				return
			}
		}
		http.StripPrefix("/"+s.secret, next).ServeHTTP(w, r)
	})
}

const (
	// pagePolicy keeps the page to what this server sends; answerPolicy is for an
	// answer's page, which has its styles in it and no script.
	pagePolicy   = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'"
	answerPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)

func refuse(w http.ResponseWriter, code int, text string) { http.Error(w, text, code) }

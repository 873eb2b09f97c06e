package workbench

import (
	"crypto/rand"
	"crypto/subtle"
	"net"
	"net/http"
	"net/netip"
	"strings"
)

// What a page may load: from here alone, and nothing that stands in a text.
const policy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

// The report is one file with a style of its own, and no script.
const reportPolicy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"

const cookie = "workbench"

// admittance says whose requests are answered.
type admittance struct {
	port  string
	token string // others than this machine's need it; empty: none are there
}

// admit begins to answer at an address and returns how it is reached.
func (s *server) admit(a net.Addr) string {
	_, port, _ := net.SplitHostPort(a.String())
	s.guard.port = port
	host, _, _ := net.SplitHostPort(s.options.Address)
	address := "http://" + net.JoinHostPort(shownHost(host), port) + "/"
	if s.options.AllowRemote {
		s.guard.token = rand.Text()
		address += "?token=" + s.guard.token
	}
	return address
}

// shownHost is the name under which all addresses of a machine are reached from itself.
func shownHost(host string) string {
	if ip, err := netip.ParseAddr(host); host == "" || err == nil && ip.IsUnspecified() {
		return "127.0.0.1"
	}
	return host
}

// pass tells whether a request is answered; it has written why not.
func (g *admittance) pass(w http.ResponseWriter, r *http.Request) bool {
	if g.token == "" && !g.here(r.Host) {
		// A name that leads here without being ours is another site's.
		refuse(w, http.StatusForbidden, "this page is reached as 127.0.0.1 or localhost", "open the address that tonepose printed")
		return false
	}
	if origin := r.Header.Get("Origin"); origin != "" && origin != "http://"+r.Host {
		refuse(w, http.StatusForbidden, "another site asks", "open the address that tonepose printed")
		return false
	}
	if site := r.Header.Get("Sec-Fetch-Site"); site != "" && site != "same-origin" && site != "none" && r.URL.Path != "/" {
		refuse(w, http.StatusForbidden, "another site asks", "open the address that tonepose printed")
		return false
	}
	switch r.Method {
	case http.MethodGet, http.MethodHead:
	case http.MethodPost:
		if kind, _, _ := strings.Cut(r.Header.Get("Content-Type"), ";"); strings.TrimSpace(kind) != "application/json" {
			refuse(w, http.StatusUnsupportedMediaType, "a request that changes something holds JSON", "send Content-Type: application/json")
			return false
		}
	default:
		refuse(w, http.StatusMethodNotAllowed, r.Method+" is not answered", "use GET or POST")
		return false
	}
	return g.token == "" || g.known(w, r)
}

// known tells whether a request has the token, and turns one in the address into a
// cookie.
func (g *admittance) known(w http.ResponseWriter, r *http.Request) bool {
	same := func(have string) bool { return subtle.ConstantTimeCompare([]byte(have), []byte(g.token)) == 1 }
	if c, err := r.Cookie(cookie); err == nil && same(c.Value) {
		return true
	}
	if r.URL.Path == "/" && same(r.URL.Query().Get("token")) {
		http.SetCookie(w, &http.Cookie{Name: cookie, Value: g.token, Path: "/", HttpOnly: true, SameSite: http.SameSiteStrictMode})
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return false
	}
	refuse(w, http.StatusForbidden, "the token is missing or not this run's", "open the address that tonepose printed, with its token")
	return false
}

// here tells whether a Host names this machine's loopback at our port.
func (g *admittance) here(host string) bool {
	name, port, err := net.SplitHostPort(host)
	if err != nil || port != g.port {
		return false
	}
	ip, err := netip.ParseAddr(name)
	return name == "localhost" || err == nil && ip.IsLoopback()
}

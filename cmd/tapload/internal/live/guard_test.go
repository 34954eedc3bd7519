package live

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"tapload/cmd/tapload/internal/browsertest"
)

// request sends a request as it stands, to the page's address.
func request(t *testing.T, s *Server, method, path, host, form string, header map[string]string) (code int, body string, h http.Header) {
	t.Helper()
	r, err := http.NewRequest(method, "http://"+s.listener.Addr().String()+path, strings.NewReader(form))
	if err != nil {
		t.Fatal(err)
	}
	if host != "" {
		r.Host = host
	}
	if method == http.MethodPost {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for k, v := range header {
		r.Header.Set(k, v)
	}
	answer, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer answer.Body.Close()
	data, err := io.ReadAll(answer.Body)
	if err != nil {
		t.Fatal(err)
	}
	return answer.StatusCode, string(data), answer.Header
}

// Whatever does not come from the page itself, on this machine, by somebody who
// was told the address, changes nothing and learns nothing.
func TestWhoIsRefused(t *testing.T) {
	i := &invented{}
	s := serve(t, i.world())
	own := s.listener.Addr().String()
	_, port, _ := strings.Cut(own, ":")
	at := "/" + s.secret + "/"
	for _, tc := range []struct {
		name, method, path, host, form string
		header                         map[string]string
		code                           int
	}{
		{"the page", "GET", at, "", "", nil, 200},
		{"the page by its name", "GET", at, "localhost:" + port, "", nil, 200},
		{"another name", "GET", at, "bench.example:" + port, "", nil, 421},
		{"a name that begins like it", "GET", at, "127.0.0.1.example:" + port, "", nil, 421},
		{"another port", "GET", at, "127.0.0.1:1", "", nil, 421},
		{"no port", "GET", at, "127.0.0.1", "", nil, 421},
		{"no secret", "GET", "/", "", "", nil, 404},
		{"no secret, a step", "POST", "/do/measure", "", "label=red", nil, 404},
		{"another secret", "GET", "/" + strings.Repeat("A", len(s.secret)) + "/", "", "", nil, 404},
		{"a part of the secret", "GET", "/" + s.secret[:10] + "/", "", "", nil, 404},
		{"out of its folder", "GET", at + "../../../../etc/passwd", "", "", nil, 404},
		{"out of its folder, encoded", "GET", at + "%2e%2e%2f%2e%2e%2fetc%2fpasswd", "", "", nil, 404},
		{"a file of the program", "GET", at + "live.go", "", "", nil, 404},
		{"another site's script", "GET", at + "page.js", "", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "no-cors"}, 403},
		{"another port's page, which is of the same site", "GET", at + "events", "", "", map[string]string{"Sec-Fetch-Site": "same-site"}, 403},
		{"another site's frame", "GET", at, "", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "iframe"}, 403},
		{"a link on another site", "GET", at, "", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 200},
		{"a link on another site to an answer", "GET", at + "answer/0", "", "", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 403},
		{"another site's form", "POST", at + "do/measure", "", "label=red", map[string]string{"Sec-Fetch-Site": "cross-site", "Sec-Fetch-Mode": "navigate", "Sec-Fetch-Dest": "document"}, 403},
		{"an old browser's form from another site", "POST", at + "do/measure", "", "label=red", map[string]string{"Origin": "http://bench.example"}, 403},
		{"a step by a link", "GET", at + "do/measure?label=red", "", "", nil, 405},
		{"no such step", "POST", at + "do/format", "", "", nil, 404},
		{"a step that cannot be done", "POST", at + "do/boxes", "", "", nil, 409},
		{"a field that is not asked for", "POST", at + "do/measure", "", "label=red&output=/etc/passwd", nil, 400},
		{"two values", "POST", at + "do/measure", "", "label=red&label=blue", nil, 400},
		{"nothing filled in", "POST", at + "do/measure", "", "", nil, 400},
		{"a choice that is none", "POST", at + "do/measure", "", "label=red&drivers=9", nil, 400},
		{"a control character", "POST", at + "do/measure", "", "label=red%0Ablue", nil, 400},
		{"a direction character", "POST", at + "do/measure", "", "label=%E2%80%AEder", nil, 400},
		{"bytes that are no text", "POST", at + "do/measure", "", "label=%ff", nil, 400},
		{"201 characters", "POST", at + "do/measure", "", "label=" + strings.Repeat("a", 201), nil, 400},
		{"a megabyte", "POST", at + "do/measure", "", "label=" + strings.Repeat("a", 1<<20), nil, 400},
		{"an entry that is none", "GET", at + "entry/" + url.PathEscape("../job"), "", "", nil, 404},
		{"an answer that is none", "GET", at + "answer/-1", "", "", nil, 404},
	} {
		code, body, h := request(t, s, tc.method, tc.path, tc.host, tc.form, tc.header)
		if code != tc.code {
			t.Errorf("%s: %d, want %d: %.100s", tc.name, code, tc.code, body)
		}
		if h.Get("Content-Security-Policy") == "" || strings.Contains(h.Get("Content-Security-Policy"), "unsafe") || h.Get("X-Content-Type-Options") != "nosniff" ||
			h.Get("Referrer-Policy") != "no-referrer" || h.Get("Cross-Origin-Resource-Policy") != "same-origin" {
			t.Errorf("%s: headers %v", tc.name, h)
		}
		if code != 200 && (strings.Contains(body, s.secret) || len(body) > 300) {
			t.Errorf("%s: tells %q", tc.name, body)
		}
	}
	if i.did.Load() != 0 || i.watching.Load() != 0 {
		t.Errorf("%d steps were done, %d measurements run", i.did.Load(), i.watching.Load())
	}

	addresses, err := net.InterfaceAddrs()
	if err != nil {
		t.Fatal(err)
	}
	for _, a := range addresses {
		if ip, ok := a.(*net.IPNet); ok && !ip.IP.IsLoopback() {
			if c, err := net.DialTimeout("tcp", net.JoinHostPort(ip.IP.String(), port), time.Second); err == nil {
				c.Close()
				t.Errorf("it listens on %v too", ip.IP)
			}
		}
	}
}

// One step at a time, which can be stopped.
func TestOneStepAtATime(t *testing.T) {
	i := &invented{hold: make(chan struct{})}
	s := serve(t, i.world())
	at := "/" + s.secret + "/"
	do := func() int {
		code, _, _ := request(t, s, "POST", at+"do/measure", "", "label=red", nil)
		return code
	}
	if code := do(); code != http.StatusAccepted {
		t.Fatal(code)
	}
	if code := do(); code != http.StatusConflict {
		t.Errorf("a second step at the same time: %d", code)
	}
	waitFor(t, func() bool { return i.did.Load() == 1 })
	if code, _, _ := request(t, s, "POST", at+"stop", "", "", nil); code != http.StatusNoContent {
		t.Error(code)
	}
	waitFor(t, func() bool { return s.work.ordered() == nil })
	close(i.hold)
	if code := do(); code != http.StatusAccepted {
		t.Errorf("a step after one was stopped: %d", code)
	}
	waitFor(t, func() bool { return i.did.Load() == 2 && s.work.ordered() == nil })
}

// Sound plays while a page is open and nothing else is done; a page that reads
// nothing holds nobody up.
func TestWatchedWhileOpen(t *testing.T) {
	i := &invented{hold: make(chan struct{})}
	s := serve(t, i.world())
	open := func() (*bufio.Reader, func()) {
		ctx, cancel := context.WithCancel(t.Context())
		r, err := http.NewRequestWithContext(ctx, "GET", s.URL()+"events", nil)
		if err != nil {
			t.Fatal(err)
		}
		answer, err := http.DefaultClient.Do(r)
		if err != nil {
			t.Fatal(err)
		}
		return bufio.NewReader(answer.Body), func() { cancel(); answer.Body.Close() }
	}
	if i.watching.Load() != 0 {
		t.Error("it plays with no page open")
	}
	_, shutDeaf := open() // reads nothing
	in, shut := open()
	seen := map[string]int{}
	for seen["moment"] < 3 {
		line, err := in.ReadString('\n')
		if err != nil {
			t.Fatal(err)
		}
		if kind, ok := strings.CutPrefix(strings.TrimSpace(line), "event: "); ok {
			seen[kind]++
		}
	}
	if seen["stand"] != 1 || i.watching.Load() != 1 {
		t.Errorf("%v, %d measurements", seen, i.watching.Load())
	}
	if code, _, _ := request(t, s, "POST", "/"+s.secret+"/do/measure", "", "label=red", nil); code != http.StatusAccepted {
		t.Fatal(code)
	}
	waitFor(t, func() bool { return i.did.Load() == 1 })
	if n := i.watching.Load(); n != 0 {
		t.Errorf("%d measurements while a step has the card", n)
	}
	close(i.hold)
	waitFor(t, func() bool { return i.watching.Load() == 1 })
	shut()
	shutDeaf()
	waitFor(t, func() bool { return i.watching.Load() == 0 })
}

// A program that nobody started in a terminal ends with its page.
func TestEndsAlone(t *testing.T) {
	i := &invented{}
	s, err := Listen(t.Context(), i.world())
	if err != nil {
		t.Fatal(err)
	}
	s.EndsAlone(50 * time.Millisecond)
	over := make(chan error, 1)
	go func() { over <- s.Serve(context.Background()) }()
	select {
	case err := <-over:
		if err != nil {
			t.Error(err)
		}
	case <-time.After(20 * time.Second):
		t.Fatal("it goes on with no page open")
	}
}

func waitFor(t *testing.T, so func() bool) {
	t.Helper()
	for end := time.Now().Add(20 * time.Second); !so(); time.Sleep(time.Millisecond) {
		if time.Now().After(end) {
			t.Fatal("not so after 20 s")
		}
	}
}

// A page of another port, and one whose name was made to lead here, try all that
// a page can try.
func TestAnotherSiteInABrowser(t *testing.T) {
	i := &invented{}
	s := serve(t, i.world())
	other, err := net.Listen("tcp4", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	attack := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/html")
		fmt.Fprintf(w, `<!DOCTYPE html><title>another site</title><iframe src=%q></iframe>`, s.URL())
	})}
	go attack.Serve(other) //nolint:errcheck // it ends with the test
	t.Cleanup(func() { attack.Close() })
	_, port, _ := strings.Cut(s.listener.Addr().String(), ":")
	b := browsertest.Start(t, "--host-resolver-rules=MAP bench.example 127.0.0.1")
	p := b.Open("http://" + other.Addr().String() + "/")
	for _, try := range []string{
		`fetch(%q + 'events')`,
		`fetch(%q + 'do/measure', { method: 'POST', body: new URLSearchParams('label=red') })`,
		`fetch(%q + 'do/measure', { method: 'POST', mode: 'no-cors', body: new URLSearchParams('label=red') }).then(() => { throw 'opaque' })`,
		`new Promise((yes, no) => { const e = new EventSource(%q + 'events'); e.onmessage = yes; e.addEventListener('stand', yes); e.onerror = no })`,
		`new Promise((yes, no) => { const e = new Image(); e.onload = yes; e.onerror = no; e.src = %q + 'answer/0' })`,
		`new Promise((yes, no) => { const e = document.createElement('script'); e.onload = yes; e.onerror = no; e.src = %q + 'page.js'; document.head.append(e) })`,
	} {
		var did bool
		p.Eval(fmt.Sprintf(try, s.URL())+".then(() => true, () => false)", &did)
		if did {
			t.Errorf("another site can: %s", try)
		}
	}
	rebound := "http://bench.example:" + port + "/" + s.secret + "/"
	q := b.Open(rebound)
	var text string
	q.Eval("document.body.textContent", &text)
	if strings.Contains(text, "Freeze") {
		t.Error("a name that was made to lead here shows the page")
	}
	if i.did.Load() != 0 || i.watching.Load() != 0 {
		t.Errorf("%d steps were done, %d measurements run", i.did.Load(), i.watching.Load())
	}
}

// What went wrong: a connection over which nothing was asked, or half of something, kept
// the page from its end for so long that the program was ended from outside, with an
// error.
func TestSilentConnections(t *testing.T) {
	i := &invented{}
	s, end := serveUntil(t, i.world())
	for _, half := range []string{"", "GET /", "GET / HTTP/1.1\r\nHost: "} {
		c, err := net.Dial("tcp", s.listener.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
		if _, err := io.WriteString(c, half); err != nil {
			t.Fatal(err)
		}
	}
	request(t, s, http.MethodGet, "/"+s.secret+"/", "", "", nil) // all were heard by now
	began := time.Now()
	end()
	if took := time.Since(began); took > 3*time.Second {
		t.Errorf("it took %v", took)
	}
}

package live

import (
	"errors"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"tapload/measure/infile/hostile"
)

// orders are what a page sends: a step, and on a line of its own what was filled in.
var (
	soundOrders = []string{"measure\nlabel=red", "measure\nlabel=red+one&drivers=2", "measure\nlabel=%C3%A9&drivers="}
	orders      = hostile.Rows("&", "label=red", "label=", "label=%0a", "label=%ff", "label=%", "drivers=2", "drivers=3", "drivers", "=", "", "label=\u202e", "label=a;drivers=2", "label="+strings.Repeat("é", 201), "boxes", "../measure", "measure/", "%2e%2e")
)

// readOrder puts an order to the page's handlers, past which nothing gets but what
// the page asks for.
func readOrder(s *Server) func(t testing.TB, text string) error {
	return func(t testing.TB, text string) error {
		step, form, _ := strings.Cut(text, "\n")
		r, err := http.NewRequest("POST", "http://"+s.listener.Addr().String()+"/"+s.secret+"/do/"+url.PathEscape(step), strings.NewReader(form))
		if err != nil {
			t.Fatal(err)
		}
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		answer := &recorded{header: http.Header{}}
		s.guarded.ServeHTTP(answer, r)
		o := s.work.ordered()
		s.work.next = nil
		if (o != nil) != (answer.code == http.StatusAccepted) {
			t.Fatalf("%d, ordered %v", answer.code, o)
		}
		if o == nil {
			if answer.code/100 == 3 { // to a path without dots
				return errors.New("elsewhere")
			}
			return errors.New(strings.TrimSpace(answer.body.String()))
		}
		for name, value := range o.filled {
			if name != "label" && name != "drivers" || strings.ContainsFunc(value, func(r rune) bool { return r < ' ' || r == '\u202e' }) {
				t.Fatalf("%q is %q", name, value)
			}
		}
		if o.step != "measure" || o.filled["label"] == "" {
			t.Fatalf("ordered %+v", o)
		}
		return nil
	}
}

func listening(t testing.TB) *Server {
	i := &invented{}
	s, err := Listen(t.Context(), i.world())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.listener.Close() })
	return s
}

// Nothing that is sent to the page's handlers gets past what the page asks for.
func TestMalformedOrders(t *testing.T) {
	hostile.Test(t, orders, soundOrders, readOrder(listening(t)))
}

func FuzzOrders(f *testing.F) { hostile.Fuzz(f, orders, soundOrders, readOrder(listening(f))) }

type recorded struct {
	header http.Header
	code   int
	body   strings.Builder
}

func (r *recorded) Header() http.Header { return r.header }
func (r *recorded) WriteHeader(code int) {
	if r.code == 0 {
		r.code = code
	}
}
func (r *recorded) Write(b []byte) (int, error) { r.WriteHeader(200); return r.body.Write(b) }

package live

import (
	"bytes"
	"context"
	"embed"
	"io/fs"
	"net/http"
	"slices"
	"strconv"
	"unicode"
	"unicode/utf8"

	"tapload/plot/report"
)

//go:embed page
var files embed.FS

func (s *Server) routes() http.Handler {
	static, err := fs.Sub(files, "page")
	if err != nil {
		panic(err)
	}
	m := http.NewServeMux()
	m.Handle("GET /{$}", http.FileServerFS(static))
	for _, name := range []string{"page.css", "page.js", "chart.js"} {
		m.Handle("GET /"+name, http.FileServerFS(static))
	}
	m.Handle("GET /events", &s.hub)
	m.HandleFunc("POST /do/{step}", s.order)
	m.HandleFunc("POST /stop", func(w http.ResponseWriter, r *http.Request) {
		s.work.end()
		w.WriteHeader(http.StatusNoContent)
	})
	m.HandleFunc("POST /hold/{on}", func(w http.ResponseWriter, r *http.Request) {
		s.world.Hold(r.PathValue("on") == "on")
		w.WriteHeader(http.StatusNoContent)
	})
	m.HandleFunc("GET /answer/{number}", func(w http.ResponseWriter, r *http.Request) {
		n, err := strconv.Atoi(r.PathValue("number"))
		page, ok := s.work.kept(n)
		if err != nil || !ok {
			refuse(w, http.StatusNotFound, "this answer is no longer kept; ask again")
			return
		}
		sendPage(w, page)
	})
	m.HandleFunc("GET /entry/{name}", s.entry)
	m.HandleFunc("GET /first", func(w http.ResponseWriter, r *http.Request) {
		page, err := pageOf(r.Context(), s.world.First)
		if err != nil {
			refuse(w, http.StatusInternalServerError, err.Error())
			return
		}
		sendPage(w, page)
	})
	return m
}

const (
	mostForm  = 16 << 10 // bytes
	mostValue = 200      // characters of something filled in
)

// order takes what was filled in for a step. Only steps and fields that the page
// shows are taken.
func (s *Server) order(w http.ResponseWriter, r *http.Request) {
	at := s.stand.Load()
	i := slices.IndexFunc(at.Steps, func(st Step) bool { return st.Name == r.PathValue("step") })
	if i < 0 {
		refuse(w, http.StatusNotFound, "there is no such step")
		return
	}
	step := at.Steps[i]
	if step.WhyNot != "" {
		refuse(w, http.StatusConflict, step.WhyNot)
		return
	}
	r.Body = http.MaxBytesReader(w, r.Body, mostForm)
	if err := r.ParseForm(); err != nil {
		refuse(w, http.StatusBadRequest, "what was filled in cannot be read")
		return
	}
	filled := map[string]string{}
	for name, values := range r.PostForm {
		f := slices.IndexFunc(step.Fields, func(f Field) bool { return f.Name == name })
		if f < 0 || len(values) != 1 {
			refuse(w, http.StatusBadRequest, "the step does not ask for all that was sent")
			return
		}
		if why := step.Fields[f].refuses(values[0]); why != "" {
			refuse(w, http.StatusBadRequest, why)
			return
		}
		filled[name] = values[0]
	}
	for _, f := range step.Fields {
		if f.Required && filled[f.Name] == "" {
			refuse(w, http.StatusBadRequest, f.Says+": fill this in")
			return
		}
	}
	if !s.work.begin(order{step.Name, filled}) {
		refuse(w, http.StatusConflict, "something else is being done; wait for it, or stop it")
		return
	}
	w.WriteHeader(http.StatusAccepted)
}

// refuses says why v is no value for f; "" where it is one.
func (f Field) refuses(v string) string {
	switch {
	case !utf8.ValidString(v) || utf8.RuneCountInString(v) > mostValue:
		return f.Says + ": at most 200 characters of text"
	case slices.ContainsFunc([]rune(v), func(r rune) bool { return !unicode.IsPrint(r) }):
		return f.Says + ": one line of text, without control characters"
	case len(f.Choices) > 0 && v != "" && !slices.Contains(f.Choices, v):
		return f.Says + ": choose one of those that are shown"
	}
	return ""
}

func (s *Server) entry(w http.ResponseWriter, r *http.Request) {
	all := s.stand.Load().History
	i := slices.IndexFunc(all, func(e Entry) bool { return e.Name == r.PathValue("name") })
	if i < 0 {
		refuse(w, http.StatusNotFound, "the job has no such entry any more")
		return
	}
	var page bytes.Buffer
	if err := all[i].Page(r.Context(), &page); err != nil {
		refuse(w, http.StatusInternalServerError, err.Error())
		return
	}
	sendPage(w, page.Bytes())
}

func pageOf(ctx context.Context, d report.Document) ([]byte, error) {
	var page bytes.Buffer
	err := d.HTML(ctx, &page, report.A4)
	return page.Bytes(), err
}

func sendPage(w http.ResponseWriter, page []byte) {
	w.Header().Set("Content-Security-Policy", answerPolicy)
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	_, _ = w.Write(page) // a page that went needs no answer
}

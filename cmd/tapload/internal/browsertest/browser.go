// Package browsertest drives Chromium for tests, over the two pipes that its
// remote debugging offers: no port, and no module.
package browsertest

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

// patience is how long a test waits for anything.
const patience = 30 * time.Second

// Browser is a Chromium of its own, with a profile that is thrown away.
type Browser struct {
	t    testing.TB
	in   *os.File
	mu   sync.Mutex
	next int
	wait map[int]chan reply
	dead error

	PID int // of its first process
}

type reply struct {
	Result json.RawMessage
	Error  *struct{ Message string }
}

// Chromium returns the path of the browser. A test is skipped where there is none,
// unless TAPLOAD_REQUIRE_RIG says that there must be.
func Chromium(t testing.TB) string {
	t.Helper()
	path, err := exec.LookPath("chromium")
	if err != nil {
		if os.Getenv("TAPLOAD_REQUIRE_RIG") != "" {
			t.Fatal("there is no chromium, which must be there for this run; install Debian's package chromium")
		}
		t.Skip("there is no chromium; install Debian's package chromium")
	}
	return path
}

// Start starts Chromium, which ends with the test.
func Start(t testing.TB, flags ...string) *Browser {
	t.Helper()
	path := Chromium(t)
	toBrowser, in, err1 := os.Pipe()
	out, fromBrowser, err2 := os.Pipe()
	if err := errors.Join(err1, err2); err != nil {
		t.Fatal(err)
	}
	profile, err := os.MkdirTemp("", "tapload-browser-")
	if err != nil {
		t.Fatal(err)
	}
	c := exec.Command(path, append([]string{
		"--headless=new", "--no-sandbox", "--disable-gpu", "--no-first-run", "--disable-background-networking", "--disable-component-update",
		"--disable-dev-shm-usage", "--user-data-dir=" + profile, "--remote-debugging-pipe",
	}, flags...)...)
	c.ExtraFiles = []*os.File{toBrowser, fromBrowser} // 3 and 4 there
	if err := c.Start(); err != nil {
		t.Fatal(err)
	}
	toBrowser.Close()
	fromBrowser.Close()
	b := &Browser{t: t, in: in, wait: map[int]chan reply{}, PID: c.Process.Pid}
	over := make(chan struct{})
	go func() { defer close(over); b.listen(out) }()
	t.Cleanup(func() {
		in.Close()
		ended := time.AfterFunc(patience, func() { _ = c.Process.Kill() })
		_ = c.Wait() // its exit code says nothing about the page
		ended.Stop()
		<-over
		out.Close()
		for range 50 { // a process of it may still write there
			if os.RemoveAll(profile) == nil {
				return
			}
			time.Sleep(20 * time.Millisecond)
		}
		t.Errorf("%s is left", filepath.Base(profile))
	})
	return b
}

func (b *Browser) listen(out *os.File) {
	for r := bufio.NewReader(out); ; {
		data, err := r.ReadBytes(0)
		if err != nil {
			b.mu.Lock()
			b.dead = fmt.Errorf("the browser ended: %w", err)
			for _, c := range b.wait {
				close(c)
			}
			b.wait = nil
			b.mu.Unlock()
			return
		}
		var m struct {
			ID int
			reply
		}
		if json.Unmarshal(bytes.TrimSuffix(data, []byte{0}), &m) != nil || m.ID == 0 {
			continue // of events nobody asked for
		}
		b.mu.Lock()
		if c := b.wait[m.ID]; c != nil {
			c <- m.reply
			delete(b.wait, m.ID)
		}
		b.mu.Unlock()
	}
}

// call calls a method of the DevTools protocol, in a session unless that is "".
func (b *Browser) call(session, method string, params, result any) error {
	b.mu.Lock()
	if b.dead != nil {
		b.mu.Unlock()
		return b.dead
	}
	b.next++
	id, answer := b.next, make(chan reply, 1)
	b.wait[id] = answer
	message := map[string]any{"id": id, "method": method, "params": params}
	if session != "" {
		message["sessionId"] = session
	}
	data, err := json.Marshal(message)
	if err == nil {
		_, err = b.in.Write(append(data, 0))
	}
	b.mu.Unlock()
	if err != nil {
		return err
	}
	select {
	case r, ok := <-answer:
		switch {
		case !ok:
			return errors.New("the browser ended")
		case r.Error != nil:
			return fmt.Errorf("%s: %s", method, r.Error.Message)
		case result != nil:
			return json.Unmarshal(r.Result, result)
		}
		return nil
	case <-time.After(patience):
		return fmt.Errorf("%s: no answer in %v", method, patience)
	}
}

// Page is a tab.
type Page struct {
	b       *Browser
	session string
}

// Open opens an address in a new tab.
func (b *Browser) Open(url string) *Page {
	b.t.Helper()
	p := &Page{b: b}
	var target struct{ TargetID string }
	p.must(b.call("", "Target.createTarget", map[string]any{"url": "about:blank"}, &target))
	var session struct{ SessionID string }
	p.must(b.call("", "Target.attachToTarget", map[string]any{"targetId": target.TargetID, "flatten": true}, &session))
	p.session = session.SessionID
	p.Go(url)
	return p
}

func (p *Page) must(err error) {
	p.b.t.Helper()
	if err != nil {
		p.b.t.Fatal(err)
	}
}

// Call calls a method of the DevTools protocol on the tab; result may be nil.
func (p *Page) Call(method string, params map[string]any, result any) {
	p.b.t.Helper()
	p.must(p.b.call(p.session, method, params, result))
}

// Go opens an address in the tab.
func (p *Page) Go(url string) {
	p.b.t.Helper()
	var gone struct{ ErrorText string }
	p.Call("Page.navigate", map[string]any{"url": url}, &gone)
	if gone.ErrorText != "" {
		p.b.t.Fatalf("%s: %s", url, gone.ErrorText)
	}
	p.Wait("document.readyState === 'complete'")
}

// Eval evaluates an expression, of a promise what it comes to, into result, which
// may be nil.
func (p *Page) Eval(expression string, result any) {
	p.b.t.Helper()
	p.must(p.eval(expression, result))
}

func (p *Page) eval(expression string, result any) error {
	var got struct {
		Result           struct{ Value json.RawMessage }
		ExceptionDetails *struct {
			Text      string
			Exception struct{ Description string }
		}
	}
	err := p.b.call(p.session, "Runtime.evaluate", map[string]any{"expression": expression, "awaitPromise": true, "returnByValue": true}, &got)
	switch {
	case err != nil:
		return err
	case got.ExceptionDetails != nil:
		return fmt.Errorf("%s: %s %s", expression, got.ExceptionDetails.Text, got.ExceptionDetails.Exception.Description)
	case result != nil && got.Result.Value != nil:
		return json.Unmarshal(got.Result.Value, result)
	}
	return nil
}

// Wait waits until an expression is true.
func (p *Page) Wait(expression string) {
	p.b.t.Helper()
	var err error
	for end := time.Now().Add(patience); time.Now().Before(end); time.Sleep(10 * time.Millisecond) {
		var is bool
		if err = p.eval("!!("+expression+")", &is); is {
			return
		}
	}
	p.b.t.Fatalf("not so after %v: %s (%v)", patience, expression, err)
}

// Key presses and releases a key, by its name in DOM such as "Enter".
func (p *Page) Key(name string) {
	p.b.t.Helper()
	code := map[string]int{"Tab": 9, "Enter": 13, " ": 32, "ArrowLeft": 37, "ArrowRight": 39, "ArrowDown": 40, "End": 35, "Home": 36}[name]
	text := map[string]string{"Enter": "\r", " ": " "}[name]
	down := map[string]any{"type": "keyDown", "key": name, "windowsVirtualKeyCode": code, "text": text}
	p.Call("Input.dispatchKeyEvent", down, nil)
	p.Call("Input.dispatchKeyEvent", map[string]any{"type": "keyUp", "key": name, "windowsVirtualKeyCode": code}, nil)
}

// TabTo goes by the Tab key alone to the element of an id.
func (p *Page) TabTo(id string) {
	p.b.t.Helper()
	for range 80 {
		p.Key("Tab")
		var at string
		if p.Eval("document.activeElement?.id ?? ''", &at); at == id {
			return
		}
	}
	p.b.t.Fatalf("Tab does not lead to %s", id)
}

// Click presses and releases the mouse on the element of an id, once more where it had
// moved away or been replaced by then, as people do.
func (p *Page) Click(id string) {
	p.b.t.Helper()
	const tries = 3
	for range tries {
		var at struct{ X, Y, Width, Height float64 }
		p.Eval(fmt.Sprintf(`(() => {
			const it = () => document.getElementById(%q);
			window.clickMissed = true;
			document.addEventListener('click', e => { if (it()?.contains(e.target)) window.clickMissed = false }, {capture: true, once: true});
			it().scrollIntoView({block: 'center'});
			return it().getBoundingClientRect().toJSON();
		})()`, id), &at)
		for _, kind := range []string{"mousePressed", "mouseReleased"} {
			p.Call("Input.dispatchMouseEvent", map[string]any{"type": kind, "x": at.X + at.Width/2, "y": at.Y + at.Height/2, "button": "left", "clickCount": 1}, nil)
		}
		var missed bool
		if err := p.eval("window.clickMissed === true", &missed); err != nil || !missed { // it may be another page by now
			return
		}
	}
}

// Text returns what is written in the element of an id.
func (p *Page) Text(id string) (text string) {
	p.b.t.Helper()
	p.Eval(fmt.Sprintf("document.getElementById(%q).textContent", id), &text)
	return text
}

// Type types text where the cursor is.
func (p *Page) Type(text string) {
	p.b.t.Helper()
	p.Call("Input.insertText", map[string]any{"text": text}, nil)
}

// Size makes the tab as large as a screen of so many pixels.
func (p *Page) Size(width, height int) {
	p.b.t.Helper()
	p.Call("Emulation.setDeviceMetricsOverride", map[string]any{"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600}, nil)
}

// Dark sets which colours the reader prefers.
func (p *Page) Dark(dark bool) {
	p.b.t.Helper()
	scheme := "light"
	if dark {
		scheme = "dark"
	}
	p.Call("Emulation.setEmulatedMedia", map[string]any{"features": []map[string]string{{"name": "prefers-color-scheme", "value": scheme}}}, nil)
}

// Screenshot returns what is seen, as PNG.
func (p *Page) Screenshot() []byte {
	p.b.t.Helper()
	var shot struct{ Data string }
	p.Call("Page.captureScreenshot", map[string]any{"format": "png"}, &shot)
	png, err := base64.StdEncoding.DecodeString(shot.Data)
	p.must(err)
	return png
}

// Node is a part of the page as a screen reader has it.
type Node struct {
	Role, Name string
}

// Tree returns what a screen reader has of the page, from top to bottom.
func (p *Page) Tree() (nodes []Node) {
	p.b.t.Helper()
	type value struct{ Value any }
	var tree struct {
		Nodes []struct {
			Ignored    bool
			Role, Name value
		}
	}
	p.Call("Accessibility.getFullAXTree", map[string]any{}, &tree)
	for _, n := range tree.Nodes {
		if !n.Ignored {
			nodes = append(nodes, Node{fmt.Sprint(n.Role.Value), fmt.Sprint(n.Name.Value)})
		}
	}
	return nodes
}

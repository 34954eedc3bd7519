//go:build !cgo && (linux || darwin || windows) && (amd64 || arm64)

package portaudio

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"sync/atomic"
	"unsafe"

	"github.com/ebitengine/purego"

	"tapload/measure/card"
)

// Without cgo the library is loaded when it is first needed, so that one program
// runs on machines with and without it. What stands here is of portaudio.h,
// version 19.6.

// The structures of the library, as a C compiler lays them out on 64 bits; what
// is not used has no name.
type (
	deviceInfo struct {
		_                     int32 // version
		name                  *byte
		hostAPI               int32
		maxInputs, maxOutputs int32
		lowInput, _           float64 // latencies, s, of input and output
		highInput, highOutput float64
		rateHz                float64
	}
	hostAPIInfo struct {
		_, _    int32 // version, type
		name    *byte
		devices int32

		defaultInput, defaultOutput int32
	}
	streamParameters struct {
		device, channels int32
		format           culong
		latency          float64 // s
		specific         uintptr
	}
	streamInfo struct {
		_                           int32   // version
		inputLatency, outputLatency float64 // s
		rateHz                      float64
	}
	hostError struct {
		_    int32 // type
		code clong
		text *byte
	}
)

const (
	formatFloat32 culong = 1
	clipOff       culong = 1
	ditherOff     culong = 2

	flagInputUnderflow  culong = 1
	flagInputOverflow   culong = 2
	flagOutputUnderflow culong = 4
	flagOutputOverflow  culong = 8
)

// functions are those of the library that are used.
type functions struct {
	initialize, terminate                func() int32
	errorText                            func(int32) string
	lastHostError                        func() *hostError
	deviceCount, hostAPICount            func() int32
	versionText                          func() string
	defaultInput, defaultOutput          func() int32
	deviceInfo                           func(int32) *deviceInfo
	hostAPIInfo                          func(int32) *hostAPIInfo
	isFormatSupported                    func(in, out *streamParameters, rateHz float64) int32
	openStream                           func(stream *uintptr, in, out *streamParameters, rateHz float64, frames, flags culong, callback, user uintptr) int32
	startStream, stopStream, closeStream func(uintptr) int32
	streamInfo                           func(uintptr) *streamInfo
}

// libraryVariable names another file of the library.
const libraryVariable = "TAPLOAD_PORTAUDIO"

// loaded loads the library, once. An error says what was tried.
var loaded = sync.OnceValues(func() (*functions, error) {
	names, text := libraryNames, "the sound-card library PortAudio is not on this machine"
	if own := os.Getenv(libraryVariable); own != "" {
		names, text = []string{own}, fmt.Sprintf("the sound-card library %s, which %s names, does not load", own, libraryVariable)
	}
	var handle uintptr
	var why error // of the likeliest name
	for _, name := range names {
		var err error
		if handle, err = dlopen(name); err == nil {
			break
		}
		if why == nil {
			why = err
		}
	}
	if handle == 0 {
		return nil, &card.Fault{Cause: card.Absent, Text: text, Advice: libraryAdvice, Err: why}
	}
	f := new(functions)
	for _, one := range []struct {
		function any
		name     string
	}{
		{&f.initialize, "Pa_Initialize"}, {&f.terminate, "Pa_Terminate"}, {&f.errorText, "Pa_GetErrorText"},
		{&f.lastHostError, "Pa_GetLastHostErrorInfo"}, {&f.deviceCount, "Pa_GetDeviceCount"},
		{&f.defaultInput, "Pa_GetDefaultInputDevice"}, {&f.defaultOutput, "Pa_GetDefaultOutputDevice"},
		{&f.deviceInfo, "Pa_GetDeviceInfo"}, {&f.hostAPIInfo, "Pa_GetHostApiInfo"},
		{&f.isFormatSupported, "Pa_IsFormatSupported"}, {&f.openStream, "Pa_OpenStream"},
		{&f.startStream, "Pa_StartStream"}, {&f.stopStream, "Pa_StopStream"}, {&f.closeStream, "Pa_CloseStream"},
		{&f.streamInfo, "Pa_GetStreamInfo"}, {&f.hostAPICount, "Pa_GetHostApiCount"}, {&f.versionText, "Pa_GetVersionText"},
	} {
		at, err := symbol(handle, one.name)
		if err != nil {
			return nil, &card.Fault{Cause: card.Absent, Text: fmt.Sprintf("the sound-card library that was found has no function %s", one.name), Advice: libraryAdvice, Err: err}
		}
		purego.RegisterFunc(one.function, at)
	}
	return f, nil
})

// newSystem returns PortAudio; what it prints on standard error while it comes
// up or opens a stream goes to said.
func newSystem(said io.Writer) system { return &library{said: said} }

// library is one use of the PortAudio library, which counts its users.
type library struct {
	said io.Writer
	*functions
}

// The library's error codes that the rest of the package knows.
const (
	codeHostError         = -9999
	codeChannelCount      = -9998
	codeSampleRate        = -9997
	codeDevice            = -9996
	codeTimedOut          = -9987
	codeDeviceUnavailable = -9985
	codeStreamIsStopped   = -9983
)

// fault returns the error of a code, marked with the cause that the rest of the
// package knows; codes of 0 and more are none.
func (l *library) fault(code int32) error {
	if code >= 0 {
		return nil
	}
	text := l.errorText(code)
	if code == codeHostError {
		if h := l.lastHostError(); h != nil {
			text = fmt.Sprintf("%s: %s", text, goString(h.text))
		}
	}
	err := errors.New(text)
	switch {
	case code == codeSampleRate:
		return fmt.Errorf("%w (%w)", errRate, err)
	case code == codeDeviceUnavailable, code == codeHostError && strings.Contains(strings.ToLower(text), "busy"):
		return fmt.Errorf("%w (%w)", errBusy, err)
	case code == codeChannelCount:
		return fmt.Errorf("%w (%w)", errChannels, err)
	case code == codeTimedOut:
		return fmt.Errorf("%w (%w)", errSlow, err)
	case code == codeDevice:
		return fmt.Errorf("%w (%w)", errGone, err)
	}
	return err
}

// goString copies a C string.
func goString(s *byte) string {
	if s == nil {
		return ""
	}
	n := 0
	for *(*byte)(unsafe.Add(unsafe.Pointer(s), n)) != 0 {
		n++
	}
	return string(unsafe.Slice(s, n))
}

func (l *library) list() (devices []device, err error) {
	if l.functions, err = loaded(); err != nil {
		return nil, err
	}
	err = call(func() (err error) {
		devices, err = l.bringUp()
		return err
	})
	return devices, err
}

func (l *library) bringUp() (devices []device, err error) {
	if err := capture(l.said, func() error { return l.fault(l.initialize()) }); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, l.fault(l.terminate()))
		}
	}()
	n := l.deviceCount()
	if err := l.fault(n); err != nil {
		return nil, err
	}
	in, out := l.defaultInput(), l.defaultOutput()
	for i := range n {
		d := l.deviceInfo(i)
		if d == nil {
			return nil, fmt.Errorf("the library lists %d devices and has no device %d", n, i)
		}
		var api hostAPIInfo
		if a := l.hostAPIInfo(d.hostAPI); a != nil {
			api = *a
		}
		devices = append(devices, device{
			index: int(i), name: goString(d.name), api: goString(api.name),
			inputs: int(d.maxInputs), outputs: int(d.maxOutputs), rateHz: d.rateHz,
			defaultIn: i == in, defaultOut: i == out,
			apiDefaultIn: api.name != nil && i == api.defaultInput, apiDefaultOut: api.name != nil && i == api.defaultOutput,
		})
	}
	return devices, nil
}

func (l *library) about() (about Library, err error) {
	err = call(func() error {
		n := l.hostAPICount()
		for i := range n {
			if a := l.hostAPIInfo(i); a != nil {
				about.Interfaces = append(about.Interfaces, goString(a.name))
			}
		}
		about.Version = l.versionText()
		return l.fault(n)
	})
	return about, err
}

func (l *library) close() error {
	return call(func() error { return l.fault(l.terminate()) })
}

// parameters translates s. The size of a block is left to the library, which
// then adapts nothing and takes it from the latency.
func parameters(s setup) (in, out *streamParameters) {
	of := func(d device, channels int) *streamParameters {
		return &streamParameters{device: int32(d.index), channels: int32(channels), format: formatFloat32, latency: s.latency.Seconds()}
	}
	return of(s.in, s.inputs), of(s.out, s.outputs)
}

func (l *library) supports(s setup) error {
	return call(func() error {
		in, out := parameters(s)
		return capture(l.said, func() error { return l.fault(l.isFormatSupported(in, out, float64(s.rateHz))) })
	})
}

// running is an open stream as its callback sees it.
type running struct {
	each            callback
	inputs, outputs int
}

// streams are the open ones, by what the library hands to the callback: it must
// not hold Go memory, and the callback must not wait for a lock.
var streams [16]atomic.Pointer[running]

// entry is the one callback of all streams: each that is made for C stays for
// good. What it calls allocates nothing; the way in from C takes 0.2 kB
// a block, which the large blocks of a measurement bear.
var entry = sync.OnceValue(func() uintptr {
	return purego.NewCallback(func(in, out unsafe.Pointer, frames culong, _ unsafe.Pointer, f culong, user uintptr) uintptr {
		r := streams[user].Load()
		if r == nil {
			return 0
		}
		var heard, played []float32
		if in != nil {
			heard = unsafe.Slice((*float32)(in), int(frames)*r.inputs)
		}
		if out != nil {
			played = unsafe.Slice((*float32)(out), int(frames)*r.outputs)
		}
		r.each(heard, played, status{
			inputOverflow: f&flagInputOverflow != 0, inputUnderflow: f&flagInputUnderflow != 0,
			outputOverflow: f&flagOutputOverflow != 0, outputUnderflow: f&flagOutputUnderflow != 0,
		})
		return 0
	})
})

func (l *library) open(s setup, each callback) (stream, error) {
	r := &running{each, s.inputs, s.outputs}
	place := -1
	for i := range streams {
		if streams[i].CompareAndSwap(nil, r) {
			place = i
			break
		}
	}
	if place < 0 {
		return nil, fmt.Errorf("%d streams are open, which is all there can be", len(streams))
	}
	c := connection{l: l, place: place}
	err := call(func() error {
		in, out := parameters(s)
		return capture(l.said, func() error {
			return l.fault(l.openStream(&c.handle, in, out, float64(s.rateHz), 0, clipOff|ditherOff, entry(), uintptr(place)))
		})
	})
	if err != nil {
		streams[place].Store(nil)
		return nil, err
	}
	return &c, nil
}

// connection is an open stream of the library.
type connection struct {
	l      *library
	handle uintptr
	place  int
}

func (c *connection) rateHz() float64 {
	if i := c.l.streamInfo(c.handle); i != nil {
		return i.rateHz
	}
	return 0
}

func (c *connection) start() error {
	return call(func() error { return c.l.fault(c.l.startStream(c.handle)) })
}

func (c *connection) stop() error {
	return call(func() error {
		var err error
		if code := c.l.stopStream(c.handle); code != codeStreamIsStopped { // it was never started
			err = c.l.fault(code)
		}
		err = errors.Join(err, c.l.fault(c.l.closeStream(c.handle)))
		streams[c.place].Store(nil)
		return err
	})
}

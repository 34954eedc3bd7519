//go:build !cgo && linux && (amd64 || arm64)

package portaudio

import (
	"os"
	"os/exec"
	"testing"
	"unsafe"

	"tapload/measure/card"
)

// What gcc 12.2 on Debian 12, amd64, makes of portaudio.h 19.6, by offsetof and
// sizeof.
func TestStructuresAreThoseOfC(t *testing.T) {
	var d deviceInfo
	var a hostAPIInfo
	var p streamParameters
	var i streamInfo
	var e hostError
	for _, c := range []struct {
		name      string
		got, want uintptr
	}{
		{"PaDeviceInfo.name", unsafe.Offsetof(d.name), 8},
		{"PaDeviceInfo.hostApi", unsafe.Offsetof(d.hostAPI), 16},
		{"PaDeviceInfo.maxInputChannels", unsafe.Offsetof(d.maxInputs), 20},
		{"PaDeviceInfo.defaultLowInputLatency", unsafe.Offsetof(d.lowInput), 32},
		{"PaDeviceInfo.defaultHighOutputLatency", unsafe.Offsetof(d.highOutput), 56},
		{"PaDeviceInfo.defaultSampleRate", unsafe.Offsetof(d.rateHz), 64},
		{"PaDeviceInfo", unsafe.Sizeof(d), 72},
		{"PaHostApiInfo.name", unsafe.Offsetof(a.name), 8},
		{"PaHostApiInfo.deviceCount", unsafe.Offsetof(a.devices), 16},
		{"PaHostApiInfo", unsafe.Sizeof(a), 32},
		{"PaStreamParameters.channelCount", unsafe.Offsetof(p.channels), 4},
		{"PaStreamParameters.sampleFormat", unsafe.Offsetof(p.format), 8},
		{"PaStreamParameters.suggestedLatency", unsafe.Offsetof(p.latency), 16},
		{"PaStreamParameters.hostApiSpecificStreamInfo", unsafe.Offsetof(p.specific), 24},
		{"PaStreamParameters", unsafe.Sizeof(p), 32},
		{"PaStreamInfo.inputLatency", unsafe.Offsetof(i.inputLatency), 8},
		{"PaStreamInfo.sampleRate", unsafe.Offsetof(i.rateHz), 24},
		{"PaStreamInfo", unsafe.Sizeof(i), 32},
		{"PaHostErrorInfo.errorCode", unsafe.Offsetof(e.code), 8},
		{"PaHostErrorInfo.errorText", unsafe.Offsetof(e.text), 16},
		{"PaHostErrorInfo", unsafe.Sizeof(e), 24},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, want %d", c.name, c.got, c.want)
		}
	}
}

// Without the library there is one sentence that says what to install. The
// library is looked for once in a process, so this is another one.
func TestWithoutTheLibrary(t *testing.T) {
	const child = "TAPLOAD_TEST_NO_LIBRARY"
	if os.Getenv(child) == "" {
		c := exec.CommandContext(t.Context(), os.Args[0], "-test.run", "^TestWithoutTheLibrary$")
		c.Env = append(os.Environ(), child+"=1", libraryVariable+"=/nowhere/libportaudio.so.2")
		if out, err := c.CombinedOutput(); err != nil {
			t.Errorf("%v\n%s", err, out)
		}
		return
	}
	_, _, err := List()
	wantFault(t, err, card.Absent, "/nowhere/libportaudio.so.2", "libportaudio2")
	_, err = Open(Options{})
	wantFault(t, err, card.Absent, "does not load", "every other command works")
}

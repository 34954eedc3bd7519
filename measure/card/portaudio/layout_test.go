//go:build !cgo && (linux || darwin || windows) && (amd64 || arm64)

package portaudio

import (
	"testing"
	"unsafe"
)

// What gcc 12.2 on Debian 12, amd64, makes of portaudio.h 19.6, by offsetof and
// sizeof; for longs of 32 bits, of the same header with int in place of long.
func TestStructuresAreThoseOfC(t *testing.T) {
	var d deviceInfo
	var a hostAPIInfo
	var p streamParameters
	var i streamInfo
	var e hostError
	code, text, size := uintptr(8), uintptr(16), uintptr(24)
	if unsafe.Sizeof(clong(0)) == 4 {
		code, text, size = 4, 8, 16
	}
	for _, c := range []struct {
		name      string
		got, want uintptr
	}{
		{"PaDeviceInfo.name", unsafe.Offsetof(d.name), 8},
		{"PaDeviceInfo.hostApi", unsafe.Offsetof(d.hostAPI), 16},
		{"PaDeviceInfo.maxInputChannels", unsafe.Offsetof(d.maxInputs), 20},
		{"PaDeviceInfo.maxOutputChannels", unsafe.Offsetof(d.maxOutputs), 24},
		{"PaDeviceInfo.defaultLowInputLatency", unsafe.Offsetof(d.lowInput), 32},
		{"PaDeviceInfo.defaultHighOutputLatency", unsafe.Offsetof(d.highOutput), 56},
		{"PaDeviceInfo.defaultSampleRate", unsafe.Offsetof(d.rateHz), 64},
		{"PaDeviceInfo", unsafe.Sizeof(d), 72},
		{"PaHostApiInfo.name", unsafe.Offsetof(a.name), 8},
		{"PaHostApiInfo.deviceCount", unsafe.Offsetof(a.devices), 16},
		{"PaHostApiInfo.defaultInputDevice", unsafe.Offsetof(a.defaultInput), 20},
		{"PaHostApiInfo.defaultOutputDevice", unsafe.Offsetof(a.defaultOutput), 24},
		{"PaHostApiInfo", unsafe.Sizeof(a), 32},
		{"PaStreamParameters.channelCount", unsafe.Offsetof(p.channels), 4},
		{"PaStreamParameters.sampleFormat", unsafe.Offsetof(p.format), 8},
		{"PaStreamParameters.suggestedLatency", unsafe.Offsetof(p.latency), 16},
		{"PaStreamParameters.hostApiSpecificStreamInfo", unsafe.Offsetof(p.specific), 24},
		{"PaStreamParameters", unsafe.Sizeof(p), 32},
		{"PaStreamInfo.inputLatency", unsafe.Offsetof(i.inputLatency), 8},
		{"PaStreamInfo.outputLatency", unsafe.Offsetof(i.outputLatency), 16},
		{"PaStreamInfo.sampleRate", unsafe.Offsetof(i.rateHz), 24},
		{"PaStreamInfo", unsafe.Sizeof(i), 32},
		{"PaHostErrorInfo.errorCode", unsafe.Offsetof(e.code), code},
		{"PaHostErrorInfo.errorText", unsafe.Offsetof(e.text), text},
		{"PaHostErrorInfo", unsafe.Sizeof(e), size},
	} {
		if c.got != c.want {
			t.Errorf("%s: %d, want %d", c.name, c.got, c.want)
		}
	}
}

//go:build !cgo && linux && (amd64 || arm64)

package portaudio

import (
	"os"
	"os/exec"
	"runtime"
	"slices"
	"testing"
	"unsafe"

	"github.com/ebitengine/purego"

	"tapload/measure/card"
)

// A block comes in through the very entry that the library calls.
func TestEntry(t *testing.T) {
	const inputs, outputs, blocks = 2, 3, 4
	var heard, played [4 * 3]float32
	for i := range heard {
		heard[i] = float32(i + 1)
	}
	var got struct {
		in, out []float32
		status  status
		calls   int
	}
	r := &running{each: func(in, out []float32, s status) {
		got.in, got.out, got.status = in, out, s
		for i := range out {
			out[i] = -float32(i)
		}
		got.calls++
	}, inputs: inputs, outputs: outputs}
	const place = len(streams) - 1
	streams[place].Store(r)
	defer streams[place].Store(nil)

	call := func(in, out *[12]float32, flags culong) {
		t.Helper()
		got.in, got.out = nil, nil
		code, _, _ := purego.SyscallN(entry(), uintptr(unsafe.Pointer(in)), uintptr(unsafe.Pointer(out)), blocks, 0, uintptr(flags), uintptr(place))
		runtime.KeepAlive(in)
		runtime.KeepAlive(out)
		if code != 0 {
			t.Errorf("the entry returned %d, want 0: go on", code)
		}
	}
	call(&heard, &played, 0)
	if !slices.Equal(got.in, heard[:blocks*inputs]) || len(got.out) != blocks*outputs || played[11] != -11 || got.status != (status{}) {
		t.Errorf("got %v and %d to fill, status %+v; played %v", got.in, len(got.out), got.status, played)
	}
	for flag, want := range map[culong]status{
		1: {inputUnderflow: true}, 2: {inputOverflow: true}, 4: {outputUnderflow: true}, 8: {outputOverflow: true},
		16:    {}, // output is made before the stream begins
		2 + 4: {inputOverflow: true, outputUnderflow: true},
	} {
		if call(&heard, &played, flag); got.status != want {
			t.Errorf("flags %d are %+v, want %+v", flag, got.status, want)
		}
	}
	if call(nil, &played, 0); got.in != nil || len(got.out) != blocks*outputs {
		t.Errorf("without input: %d in, %d out", len(got.in), len(got.out))
	}
	streams[place].Store(nil)
	calls := got.calls
	if call(&heard, &played, 0); got.calls != calls {
		t.Error("a stream that is closed was called")
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

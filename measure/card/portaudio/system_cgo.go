//go:build cgo

package portaudio

import (
	"errors"
	"fmt"
	"io"
	"strings"

	pa "github.com/gordonklaus/portaudio"
)

// newSystem returns PortAudio; what it prints on standard error while it comes
// up or opens a stream goes to said.
func newSystem(said io.Writer) system { return &library{said: said} }

// library is one use of the PortAudio library, which counts its users.
type library struct{ said io.Writer }

func (l *library) list() (devices []device, err error) {
	err = call(func() (err error) {
		devices, err = l.initialize()
		return err
	})
	return devices, err
}

func (l *library) initialize() (devices []device, err error) {
	if err := capture(l.said, pa.Initialize); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, pa.Terminate())
		}
	}()
	infos, err := pa.Devices()
	if err != nil {
		return nil, err
	}
	// Without a default there is an error, and nothing to mark.
	in, _ := pa.DefaultInputDevice()
	out, _ := pa.DefaultOutputDevice()
	for _, d := range infos {
		devices = append(devices, device{
			index: d.Index, name: d.Name, api: d.HostApi.Name,
			inputs: d.MaxInputChannels, outputs: d.MaxOutputChannels,
			rateHz:    d.DefaultSampleRate,
			defaultIn: d == in, defaultOut: d == out,
			apiDefaultIn: d == d.HostApi.DefaultInputDevice, apiDefaultOut: d == d.HostApi.DefaultOutputDevice,
		})
	}
	return devices, nil
}

func (l *library) about() (about Library, err error) {
	err = call(func() error {
		apis, err := pa.HostApis()
		for _, a := range apis {
			about.Interfaces = append(about.Interfaces, a.Name)
		}
		about.Version = pa.VersionText()
		return err
	})
	return about, err
}

func (l *library) close() error { return call(pa.Terminate) }

// parameters translates s. The size of a block is left to PortAudio, which
// then adapts nothing and takes it from the latency.
func (l *library) parameters(s setup) (pa.StreamParameters, error) {
	infos, err := pa.Devices()
	if err != nil {
		return pa.StreamParameters{}, err
	}
	return pa.StreamParameters{
		Input:           pa.StreamDeviceParameters{Device: infos[s.in.index], Channels: s.inputs, Latency: s.latency},
		Output:          pa.StreamDeviceParameters{Device: infos[s.out.index], Channels: s.outputs, Latency: s.latency},
		SampleRate:      float64(s.rateHz),
		FramesPerBuffer: pa.FramesPerBufferUnspecified,
		Flags:           pa.ClipOff | pa.DitherOff,
	}, nil
}

// adapt gives each the signature that the binding knows.
func adapt(each callback) any {
	return func(in, out []float32, _ pa.StreamCallbackTimeInfo, f pa.StreamCallbackFlags) {
		each(in, out, status{
			inputOverflow: f&pa.InputOverflow != 0, inputUnderflow: f&pa.InputUnderflow != 0,
			outputOverflow: f&pa.OutputOverflow != 0, outputUnderflow: f&pa.OutputUnderflow != 0,
		})
	}
}

func (l *library) supports(s setup) error {
	return call(func() error {
		p, err := l.parameters(s)
		if err != nil {
			return err
		}
		return capture(l.said, func() error {
			return known(pa.IsFormatSupported(p, adapt(nil)))
		})
	})
}

func (l *library) open(s setup, each callback) (stream, error) {
	var str connection
	err := call(func() error {
		p, err := l.parameters(s)
		if err != nil {
			return err
		}
		return capture(l.said, func() (err error) {
			str.Stream, err = pa.OpenStream(p, adapt(each))
			return known(err)
		})
	})
	if err != nil {
		return nil, err
	}
	return str, nil
}

// connection is an open stream of the library.
type connection struct{ *pa.Stream }

func (c connection) rateHz() float64 {
	if i := c.Info(); i != nil {
		return i.SampleRate
	}
	return 0
}

func (c connection) start() error {
	return call(func() error { return known(c.Start()) })
}

func (c connection) stop() error {
	return call(func() error {
		err := c.Stop()
		if errors.Is(err, pa.StreamIsStopped) {
			err = nil // it was never started
		}
		return errors.Join(err, c.Close())
	})
}

// known marks err with the cause that the rest of the package knows.
func known(err error) error {
	var host pa.UnanticipatedHostError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, pa.InvalidSampleRate):
		return fmt.Errorf("%w (%w)", errRate, err)
	case errors.Is(err, pa.DeviceUnavailable),
		errors.As(err, &host) && strings.Contains(strings.ToLower(host.Text), "busy"):
		return fmt.Errorf("%w (%w)", errBusy, err)
	case errors.Is(err, pa.InvalidChannelCount):
		return fmt.Errorf("%w (%w)", errChannels, err)
	case errors.Is(err, pa.TimedOut):
		return fmt.Errorf("%w (%w)", errSlow, err)
	case errors.Is(err, pa.InvalidDevice):
		return fmt.Errorf("%w (%w)", errGone, err)
	}
	return err
}

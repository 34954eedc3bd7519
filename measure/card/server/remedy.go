package server

import "tapload/measure/card"

// System is what a program finds between itself and a card.
type System int

// The systems.
const (
	Linux   System = iota // PulseAudio or PipeWire
	Windows               // its mixer: MME, DirectSound, WASAPI in shared mode
	MacOS                 // Core Audio
)

// SystemOf returns the system of a GOOS.
func SystemOf(goos string) System {
	switch goos {
	case "windows":
		return Windows
	case "darwin":
		return MacOS
	}
	return Linux
}

// Remedy returns where a system turns off what has the given code, or "" where
// there is nothing to say. What it says of Linux was tried there; what it says
// of Windows and macOS is from memory, and names of menus differ between their
// versions.
func Remedy(s System, code string) string {
	for _, r := range remedies {
		if r.code == code {
			return r.at[s]
		}
	}
	return ""
}

// remedies has one row for each code: of an alteration, or of a fault that one
// of them causes.
var remedies = []struct {
	code string
	at   [3]string // by System
}{
	{card.Resampled, [...]string{
		Linux:   "measure with --rate at the device's own rate, or choose the card itself (\"hw:\" in \"tapload cards\")",
		Windows: "set the rate of --rate for input and output both: Sound settings, the device's properties, Advanced, Default Format",
		MacOS:   "set the rate of --rate for input and output both in Audio MIDI Setup",
	}},
	{card.Mixed, [...]string{
		Linux:   "stop what plays there, or choose the card itself (\"hw:\" in \"tapload cards\")",
		Windows: "close what plays, and set the sound scheme to No Sounds: Sound settings, More sound settings, Sounds",
		MacOS:   "close what plays, and send alert sounds to another output: System Settings, Sound, Play sound effects through",
	}},
	{card.SoftwareVolume, [...]string{
		Linux:   "set these volumes to 100 % (pavucontrol, or \"pactl set-sink-volume @DEFAULT_SINK@ 100%\") and turn the card itself down",
		Windows: "set output and input to 100 in Sound settings and Volume mixer, and turn the card itself down",
		MacOS:   "set output and input volume to full in Audio MIDI Setup, and turn the card itself down",
	}},
	{card.EchoCancel, [...]string{
		Linux:   "choose the card's own source and sink (pavucontrol, Recording and Playback), or unload module-echo-cancel",
		Windows: "turn off Audio enhancements in the device's properties (Sound settings), for input and output, and in the card's own program",
		MacOS:   "choose Standard as Mic Mode in Control Center while this program records",
	}},
	{card.Filtered, [...]string{
		Linux:   "choose the card's own source and sink (pavucontrol, Recording and Playback), or close the effects program",
		Windows: "turn off Audio enhancements in the device's properties (Sound settings), for input and output",
		MacOS:   "remove the effect's virtual device, or choose the card by its own name",
	}},
	{card.Muted, [...]string{
		Linux:   "unmute it (pavucontrol, or \"pactl set-source-mute @DEFAULT_SOURCE@ 0\" and set-sink-mute)",
		Windows: "unmute it in Sound settings, and allow desktop apps the microphone: Privacy, Microphone",
		MacOS:   "unmute it in System Settings, Sound, and allow the terminal the microphone: Privacy & Security, Microphone",
	}},
	{card.MonoInput, [...]string{
		Linux:   "choose a stereo input or profile of the card (pavucontrol, Configuration), or a card with a stereo line input",
		Windows: "choose a format of 2 channels: Sound settings, the input's properties, Advanced; or a card with a stereo line input",
		MacOS:   "choose a format of 2 channels in Audio MIDI Setup, or a card with a stereo line input",
	}},
	{card.Monitor, [...]string{
		Linux:   "choose the source of the card's inputs (pavucontrol, Recording, or \"pactl set-default-source\")",
		Windows: "choose the card's line input instead of Stereo Mix or a loopback device",
		MacOS:   "choose the card's input instead of a loopback device",
	}},
	{card.AutomaticGain.String(), [...]string{
		Linux:   "turn off Auto Gain Control and the like in alsamixer (F5), noise suppression and effects programs, and in the card's own settings",
		Windows: "turn off Audio enhancements in the device's properties (Sound settings), for input and output, and in the card's own program",
		MacOS:   "choose Standard as Mic Mode in Control Center, and turn off ambient noise reduction of the input",
	}},
}

package report

import (
	"strings"
	"testing"

	"tapload/fixtures/setup"
)

// The page of a setup fits a screen with every value on it, and says what to type
// where nothing can be measured yet.
func TestSetupPage(t *testing.T) {
	fits(t, Setup(setup.Setup{}, "setup.toml"), "Nothing is kept of your bench yet: tapload setup --card NAME")
	fits(t, Setup(setup.Setup{SenseOhm: 10}, "setup.toml"), "What to measure with is not kept yet: tapload setup --card NAME")
	card, percent, level := "A card with quite a long name, as systems list them (hw:2,0)", 0.1, -12.
	s := setup.Setup{
		Shop: "Workshop by the river", Address: "Mill Lane 1\nRiverside", Paper: "a4", Card: &card, Player: "Monitor", Channels: []int{3, 4}, RateHz: 48000,
		LevelDB: &level, FullScaleVolt: 2, MismatchPercent: &percent, Jig: "/home/somebody/jigs/jig.json", SenseOhm: 10, SenseTolerancePercent: &percent,
	}
	page := fits(t, Setup(s, "/home/somebody/.config/tapload/setup.toml"), "Ready to measure: tapload sweep --label NAME")
	for _, want := range []string{"10 ohm within 0.1 %", "3 and 4", "Mill Lane 1, Riverside", "-12 dB"} {
		if !strings.Contains(page, want) {
			t.Errorf("the page does not say %q:\n%s", want, page)
		}
	}
	if got := SetupTaken(setup.Setup{Card: &card, SenseOhm: 10, Jig: "/a/jig.json"}); got != "From the setup: card "+card+", sense resistor 10 ohm, jig jig.json; flags override it." {
		t.Error(got)
	}
}

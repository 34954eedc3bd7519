package quantity

import "testing"

// A number with a comma is asked back with what it may mean; a list, a number
// with a point and a name are not.
func TestCommaMeant(t *testing.T) {
	for s, want := range map[string]string{
		"8,5": "do you mean 8.5?", "0,1%": "do you mean 0.1%?", "-6,5": "do you mean -6.5?", "1,5k": "do you mean 1.5k?",
		"1,500": "do you mean 1.500 or 1500?", "0,125": "do you mean 0.125?", " 10,2 ohm": "do you mean 10.2 ohm?",
		"8.5": "", "4,8,16": "", "1,5\nb": "", "1,5\x1b[2J": "", "a,b": "", "": "", ",": "", "8,": "", "1,5.2": "", "cab,2.json": "",
	} {
		got := ""
		if err := CommaMeant(s); err != nil {
			got = err.Error()
		}
		if got != want {
			t.Errorf("%q: %q, want %q", s, got, want)
		}
	}
}

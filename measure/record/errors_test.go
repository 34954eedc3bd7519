package record

import (
	"strings"
	"testing"
)

func wantError(t *testing.T, err error, want string) {
	t.Helper()
	switch {
	case want == "" && err != nil:
		t.Errorf("error %q, want none", err)
	case want != "" && err == nil:
		t.Errorf("no error, want %q", want)
	case want != "" && err.Error() != want:
		t.Errorf("error\n\t%s\nwant\n\t%s", err, want)
	}
}

// checkErrorStyle: an error is one line without a full stop, fit to stand
// behind a file name, whatever the file holds.
func checkErrorStyle(t testing.TB, err error) {
	t.Helper()
	s := err.Error()
	stop := strings.HasSuffix(s, ".") && !strings.HasSuffix(s, "...")
	if strings.ContainsAny(s, "\n\r") || stop || strings.HasPrefix(s, ":") {
		t.Errorf("error is not one plain sentence: %q", s)
	}
}

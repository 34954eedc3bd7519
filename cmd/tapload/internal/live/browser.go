package live

import (
	"errors"
	"fmt"
	"os/exec"
	"runtime"
)

// Browse opens an address in the user's browser, which getenv's BROWSER may name.
// It does not wait for it, and calls failed should what was started end badly.
func Browse(url string, getenv func(string) string, failed func(error)) error {
	var all [][]string
	if own := getenv("BROWSER"); own != "" {
		all = append(all, []string{own})
	}
	switch runtime.GOOS {
	case "windows":
		all = append(all, []string{"rundll32", "url.dll,FileProtocolHandler"})
	case "darwin":
		all = append(all, []string{"open"})
	default:
		if getenv("DISPLAY") != "" || getenv("WAYLAND_DISPLAY") != "" {
			all = append(all, []string{"xdg-open"})
		}
	}
	err := errors.New("no browser is known here")
	for _, args := range all {
		c := exec.Command(args[0], append(args[1:], url)...)
		if err = c.Start(); err == nil {
			go func() {
				if err := c.Wait(); err != nil {
					failed(fmt.Errorf("%s: %w", args[0], err))
				}
			}()
			return nil
		}
	}
	return err
}

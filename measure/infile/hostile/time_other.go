//go:build !unix

package hostile

import "time"

// processorTime is 0 where nobody says it.
func processorTime() time.Duration { return 0 }

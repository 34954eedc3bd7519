package recone

import (
	"fmt"
	"time"

	"tapload/measure/impedance"
	"tapload/measure/record"
)

// WarnExchanged is the code of the warning that Exchanged gives.
const WarnExchanged = "exchanged"

// Exchanged returns a warning where the record before was taken after the
// record after. A curve that was imported has the time of that, which says
// nothing, as has one without a time.
func Exchanged(before, after record.Record) (impedance.Warning, bool) {
	for _, r := range []record.Record{before, after} {
		if r.Taken.IsZero() || r.Signal == nil {
			return impedance.Warning{}, false
		}
	}
	if !before.Taken.After(after.Taken) {
		return impedance.Warning{}, false
	}
	return impedance.Warning{Code: WarnExchanged, Text: fmt.Sprintf(
		"before is younger than after: exchanged? before was taken %s, after %s; if they are, name them the other way round",
		before.Taken.UTC().Format(time.DateTime), after.Taken.UTC().Format(time.DateTime))}, true
}

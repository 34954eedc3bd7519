package impedance

import "strings"

// Named are warnings about several things, such as the loads of a hookup. One
// that several have is said once, with all their names before it. The zero value
// is ready to use.
type Named struct {
	all []named
}

type named struct {
	names []string // none for one that speaks for itself
	Warning
}

// Say adds a warning that speaks for itself.
func (n *Named) Say(w Warning) { n.all = append(n.all, named{nil, w}) }

// Add adds what name has to warn of.
func (n *Named) Add(name string, warnings []Warning) {
	for _, w := range warnings {
		at := -1
		for i, o := range n.all {
			if len(o.names) > 0 && o.Warning.Equal(w) {
				at = i
			}
		}
		if at < 0 {
			at = len(n.all)
			n.Say(w)
		}
		n.all[at].names = append(n.all[at].names, name)
	}
}

// List returns the warnings in the order in which they came.
func (n *Named) List() []Warning {
	var all []Warning
	for _, w := range n.all {
		if len(w.names) > 0 {
			w.Text = strings.Join(w.names, ", ") + ": " + w.Text
		}
		all = append(all, w.Warning)
	}
	return all
}

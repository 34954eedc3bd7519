package hostile

import (
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"

	"github.com/pelletier/go-toml/v2"
)

// JSON makes malformed JSON out of sound objects.
func JSON(r *rand.Rand, sound []string) string {
	return document(r, sound, jsonTree, func(r *rand.Rand, n *node) string {
		var b strings.Builder
		n.json(&b, pick(r, []string{"", " ", "\n"}))
		return b.String()
	})
}

// TOML makes malformed TOML out of sound files, of which it leaves comments out.
func TOML(r *rand.Rand, sound []string) string {
	return document(r, sound, tomlTree, func(r *rand.Rand, n *node) string {
		if n.kind != '{' {
			return n.inline()
		}
		var b strings.Builder
		n.toml(r, &b, "")
		return b.String()
	})
}

func document(r *rand.Rand, sound []string, parse func(string) *node, write func(*rand.Rand, *node) string) string {
	whole := &node{kind: '[', items: []*node{parse(pick(r, sound))}}
	donor := func() *node { return parse(pick(r, sound)) }
	textAlone := r.IntN(5) == 0
	for range geometric(r) {
		if !textAlone {
			whole.change(r, donor)
		}
	}
	if len(whole.items) == 0 {
		return ""
	}
	text := write(r, whole.items[0])
	if textAlone || r.IntN(6) == 0 {
		text = changeText(r, text, sound)
	}
	return text
}

// geometric is 1, half as often 2, and so on.
func geometric(r *rand.Rand) int {
	n := 1
	for r.IntN(2) == 0 {
		n++
	}
	return n
}

// pick is one of a list, and nothing where that is empty.
func pick[T any](r *rand.Rand, of []T) (one T) {
	if len(of) > 0 {
		one = of[r.IntN(len(of))]
	}
	return one
}

// node is a value of a document.
type node struct {
	kind  byte     // '{', '[', or 0 for one that is written as it stands
	text  string   // of such a one
	keys  []string // of '{', as they stand between quotes
	items []*node  // of '{' and '['
}

func jsonTree(text string) *node {
	dec := json.NewDecoder(strings.NewReader(text))
	dec.UseNumber()
	return next(dec)
}

// next reads a value of JSON that is known to be sound, its keys in their order.
func next(dec *json.Decoder) *node {
	t, err := dec.Token()
	if err != nil {
		panic(err)
	}
	d, ok := t.(json.Delim)
	if !ok {
		text, _ := json.Marshal(t)
		return &node{text: string(text)}
	}
	n := &node{kind: byte(d)}
	for dec.More() {
		if d == '{' {
			key, _ := dec.Token()
			n.keys = append(n.keys, key.(string))
		}
		n.items = append(n.items, next(dec))
	}
	_, _ = dec.Token()
	return n
}

func tomlTree(text string) *node {
	var table map[string]any
	if err := toml.Unmarshal([]byte(text), &table); err != nil {
		panic(err)
	}
	return treeOf(table)
}

func treeOf(v any) *node {
	switch v := v.(type) {
	case map[string]any:
		n := &node{kind: '{'}
		for _, key := range slices.Sorted(maps.Keys(v)) {
			n.keys, n.items = append(n.keys, key), append(n.items, treeOf(v[key]))
		}
		return n
	case []any:
		n := &node{kind: '['}
		for _, item := range v {
			n.items = append(n.items, treeOf(item))
		}
		return n
	case string:
		return &node{text: strconv.Quote(v)}
	}
	return &node{text: fmt.Sprint(v)}
}

func (n *node) clone() *node {
	c := &node{n.kind, n.text, slices.Clone(n.keys), slices.Clone(n.items)}
	for i, item := range c.items {
		c.items[i] = item.clone()
	}
	return c
}

// json writes n, with space between its tokens.
func (n *node) json(b *strings.Builder, space string) {
	if n.kind == 0 {
		b.WriteString(n.text)
		return
	}
	b.WriteByte(n.kind)
	for i, item := range n.items {
		if i > 0 {
			b.WriteString("," + space)
		}
		if n.kind == '{' {
			b.WriteString(`"` + n.keys[i] + `":` + space)
		}
		item.json(b, space)
	}
	b.WriteByte(n.kind + 2) // } and ] stand two behind { and [
}

// inline is n as the value of a key of TOML.
func (n *node) inline() string {
	if n.kind == 0 {
		return n.text
	}
	parts := make([]string, len(n.items))
	for i, item := range n.items {
		if parts[i] = item.inline(); n.kind == '{' {
			parts[i] = n.keys[i] + " = " + parts[i]
		}
	}
	return string(n.kind) + strings.Join(parts, ", ") + string(n.kind+2)
}

// toml writes the table n of a path that ends with a full stop, or is "".
func (n *node) toml(r *rand.Rand, b *strings.Builder, path string) {
	tables := func(item *node) bool {
		return item.kind == '[' && len(item.items) > 0 && !slices.ContainsFunc(item.items, func(i *node) bool { return i.kind != '{' })
	}
	below := func(item *node) bool { return item.kind == '{' || tables(item) }
	for i, item := range n.items {
		if !below(item) {
			b.WriteString(n.keys[i] + " = " + item.inline() + "\n")
		}
	}
	for i, item := range n.items {
		switch name := path + n.keys[i]; {
		case !below(item):
		case item.kind == '{':
			b.WriteString("[" + name + "]\n")
			item.toml(r, b, name+".")
		default:
			for _, table := range item.items {
				b.WriteString("[[" + name + "]]\n")
				table.toml(r, b, name+".")
			}
		}
	}
}

// somewhere goes down from n to a value at random and returns what holds it.
func (n *node) somewhere(r *rand.Rand) (holder *node, at int) {
	for {
		at = r.IntN(len(n.items))
		if item := n.items[at]; len(item.items) == 0 || r.IntN(4) == 0 {
			return n, at
		}
		n = n.items[at]
	}
}

// change changes something below n, perhaps by what a donor has.
func (n *node) change(r *rand.Rand, donor func() *node) {
	if len(n.items) == 0 {
		return
	}
	in, at := n.somewhere(r)
	item := in.items[at]
	switch r.IntN(14) {
	case 0:
		in.remove(at)
	case 1:
		in.insert(r.IntN(len(in.items)+1), in.key(at), item.clone())
	case 2:
		other := r.IntN(len(in.items))
		in.items[at], in.items[other] = in.items[other], item
	case 3:
		if in.kind == '{' {
			in.keys[at] = otherKey(r, in.keys[at], pick(r, in.keys))
		} else {
			in.remove(at)
		}
	case 4:
		in.insert(at, pick(r, badKeys), &node{text: pick(r, badValues)})
	case 5: // what stands elsewhere
		from, there := (&node{kind: '[', items: []*node{donor()}}).somewhere(r)
		in.items[at] = from.items[there]
	case 6:
		for range 1 + r.IntN(3) {
			item = &node{kind: '[', items: []*node{item}}
		}
		in.items[at] = item
	case 7:
		depth := pick(r, []int{1, 5, 40, 2000})
		open, closed := pick(r, []string{"[", `{"a":`, "{a="}), pick(r, []string{"]", "}"})
		in.items[at] = &node{text: strings.Repeat(open, depth) + "1" + strings.Repeat(closed, depth)}
	case 8, 9:
		item.resize(r)
	default:
		if item.kind == 0 {
			item.text = otherScalar(r, item.text)
		} else {
			in.items[at] = &node{text: pick(r, badValues)}
		}
	}
}

func (n *node) key(at int) string {
	if n.kind == '{' {
		return n.keys[at]
	}
	return ""
}

func (n *node) remove(at int) {
	n.items = slices.Delete(n.items, at, at+1)
	if n.kind == '{' {
		n.keys = slices.Delete(n.keys, at, at+1)
	}
}

func (n *node) insert(at int, key string, item *node) {
	n.items = slices.Insert(n.items, at, item)
	if n.kind == '{' {
		n.keys = slices.Insert(n.keys, at, key)
	}
}

// resize changes how many values a list or an object has, and in which order.
func (n *node) resize(r *rand.Rand) {
	if len(n.items) == 0 {
		n.text = pick(r, badValues)
		return
	}
	switch at := r.IntN(len(n.items)); r.IntN(5) {
	case 0:
		n.items, n.keys = nil, nil
	case 1:
		n.items = n.items[:at]
	case 2:
		for range pick(r, []int{1, 2, 20, 400}) {
			n.insert(len(n.items), n.key(at)+"x", n.items[at].clone())
		}
	case 3:
		slices.Reverse(n.items)
	case 4:
		n.remove(at)
	}
}

func otherKey(r *rand.Rand, key, sibling string) string {
	return pick(r, append([]string{strings.ToUpper(key), key + "s", key + " ", sibling, key[:len(key)/2], strings.Replace(key, "_", "", 1), unitSwap.Replace(key)}, badKeys...))
}

// unitSwap makes units of keys wrong.
var unitSwap = strings.NewReplacer("_ohm", "_kilohm", "_hz", "_khz", "_percent", "_db", "_db", "_percent", "_volt", "_mv", "_watts", "_w", "_g", "_kg", "_mh", "_h")

var badKeys = []string{"", "unknown", "a b", `a\nb`, `\u202e`, "\x1b[2J", "a.b", "\xff", "é", "__proto__", "format", "kind", "label", strings.Repeat("k", 300), strings.Repeat("ß ", 3000)}

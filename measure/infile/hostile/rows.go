package hostile

import (
	"math/rand/v2"
	"slices"
	"strings"
)

// Rows returns a maker for texts of lines whose words stand between separators. It
// puts words of the vocabulary, beside those of no kind, in the place of others.
func Rows(separator string, vocabulary ...string) Maker {
	return func(r *rand.Rand, sound []string) string {
		var lines [][]string
		for line := range strings.SplitSeq(pick(r, sound), "\n") {
			lines = append(lines, strings.Split(line, separator))
		}
		textAlone := r.IntN(6) == 0
		for range geometric(r) {
			if !textAlone {
				lines = changeRows(r, lines, separator, vocabulary)
			}
		}
		joined := make([]string, len(lines))
		for i, words := range lines {
			joined[i] = strings.Join(words, separator)
		}
		text := strings.Join(joined, "\n")
		if textAlone || r.IntN(6) == 0 {
			text = changeText(r, text, sound)
		}
		return text
	}
}

func changeRows(r *rand.Rand, lines [][]string, separator string, vocabulary []string) [][]string {
	if len(lines) == 0 {
		return lines
	}
	y := r.IntN(len(lines))
	if r.IntN(3) == 0 { // the first lines say what the others are
		y = r.IntN(min(len(lines), 3))
	}
	words := lines[y]
	x := r.IntN(max(1, len(words)))
	switch kind := r.IntN(14); {
	case kind == 0:
		return slices.Delete(lines, y, y+1)
	case kind == 1:
		return slices.Insert(lines, r.IntN(len(lines)+1), slices.Clone(words))
	case kind == 2:
		other := r.IntN(len(lines))
		lines[y], lines[other] = lines[other], words
	case kind == 3:
		return slices.Insert(lines, y, []string{pick(r, slices.Concat(vocabulary, words))})
	case kind == 4:
		for range pick(r, []int{1, 3, 500}) {
			lines = append(lines, slices.Clone(words))
		}
	case len(words) == 0:
	case kind == 5:
		lines[y] = slices.Delete(words, x, x+1)
	case kind == 6:
		lines[y] = slices.Insert(words, x, words[x])
	case kind == 7:
		other := r.IntN(len(words))
		words[x], words[other] = words[other], words[x]
	case kind == 8:
		lines[y] = slices.Insert(words, x, pick(r, vocabulary))
	case kind == 9:
		words[x] = pick(r, vocabulary)
	case kind == 10:
		words[x] = pick(r, pick(r, lines))
	case kind == 11:
		words[x] = pick(r, []string{`"` + words[x] + `"`, strings.ToUpper(words[x]), words[x] + separator, strings.Replace(words[x], ".", ",", 1), words[x] + pick(r, badValues), words[x] + pick(r, texts)})
	default:
		words[x] = otherScalar(r, words[x])
	}
	return lines
}

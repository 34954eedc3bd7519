package main

import (
	"context"
	"errors"
	"fmt"
	"path/filepath"

	"tapload/cmd/tapload/internal/demo"
	"tapload/cmd/tapload/internal/guide"
	"tapload/fixtures/loads"
	"tapload/measure/card/portaudio"
	"tapload/measure/quantity"
	"tapload/plot/report"
)

// guide asks what is to be done, in a terminal with somebody at it.
func (e env) guide(ctx context.Context) error {
	return guide.Run(ctx, guide.World{
		In: e.stdin, Out: e.stdout,
		Run: func(ctx context.Context, args []string) bool { return run(ctx, args, e) == exitDone },
		Cards: func() (cards []guide.Card, err error) {
			infos, _, err := e.sound.list()
			for _, i := range portaudio.Cards(infos).BestFirst() {
				if i.Measures() {
					cards = append(cards, guide.Card{Name: i.Name, What: report.CardKind(i.Best().Kind)})
				}
			}
			return cards, err
		},
		Bench: e.inventedBench,
		Number: func(s string, unit quantity.Unit) error {
			_, err := parseQuantity(s, unit)
			return err
		},
		Percent: func(s string) error { return new(fraction).Set(s) },
		Kept: func() (words string, live bool, err error) {
			s, err := e.readSetup()
			if err != nil || !s.Measures() {
				return "", false, err
			}
			return report.SetupBench(s), s.Card != nil, nil
		},
		Taps: func(s string) error { return new(taps).Set(s) },
		Load: func(s string) (string, error) {
			l, err := loads.Parse(s)
			if q, asks := errors.AsType[quantity.Question](err); asks {
				return "", q
			}
			switch {
			case err != nil:
				return "", fmt.Errorf("cannot be: %w", err)
			case l.Name == "":
				return "", errors.New("needs a name and an equals sign, such as left=8")
			case l.Path != "" && !isFile(l.Path):
				return "", fmt.Errorf("cannot be: there is no file %s here, and it is no rating either", l.Path)
			}
			return l.Name, nil
		},
		Exchanged: func(before, after string) string {
			w, found, err := exchanged(before, after)
			if err != nil || !found {
				return ""
			}
			return w.Text
		},
	})
}

// inventedBench writes the bench of the demonstration's unmarked cabinet, where
// it is not there already.
func (e env) inventedBench() (string, error) {
	const path = "invented-cabinet.toml"
	if isFile(path) {
		return path, nil
	}
	return path, e.save(whole(path, []byte(demo.Benches()[filepath.Join("bench", "dance.toml")])))
}

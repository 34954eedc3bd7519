package main

import (
	"context"
	"path/filepath"

	"tapload/cmd/tapload/internal/demo"
	"tapload/cmd/tapload/internal/guide"
	"tapload/fixtures/loads"
	"tapload/measure/card/portaudio"
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
		Bench: inventedBench,
		Number: func(s, unit string) error {
			_, err := parseQuantity(s, unit)
			return err
		},
		Taps: func(s string) error { return new(taps).Set(s) },
		Load: func(s string) error {
			_, err := loads.Parse(s)
			return err
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
func inventedBench() (string, error) {
	const path = "invented-cabinet.toml"
	if isFile(path) {
		return path, nil
	}
	return path, writeFiles(whole(path, []byte(demo.Benches()[filepath.Join("bench", "dance.toml")])))
}

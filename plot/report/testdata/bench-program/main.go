// Command bench-program does a job with the packages alone: it names two records,
// plans them on an amplifier, proves the box that joins them in series, and
// prints each page and writes it as HTML.
package main

import (
	"context"
	"io"
	"log"
	"os"

	"tapload/fixtures/amp"
	"tapload/fixtures/box"
	"tapload/fixtures/box/proof"
	"tapload/fixtures/hookup"
	"tapload/fixtures/loads"
	"tapload/fixtures/plan"
	"tapload/measure/record"
	"tapload/plot/report"
)

func main() {
	open := func(path string) (io.ReadCloser, error) { return os.Open(path) }
	set, err := loads.Read(context.Background(), open, []string{"a=a.json", "b=b.json"}, loads.Options{Fit: true})
	check(err)
	for _, found := range set.Found {
		show(found.Name, report.Fit(*found))
	}

	amplifier := amp.Amplifier{TapOhm: []float64{4, 8, 16}, Watts: 50, Jacks: 1}
	hookups, err := plan.Find(context.Background(), amplifier, set.Loads, plan.Options{})
	check(err)
	show("plan", report.Plan(hookups))

	file, err := os.Open("box.json")
	check(err)
	seen, err := record.Read(file)
	check(err)
	boxes, err := box.Build(hookup.InSeries(hookup.One("a"), hookup.One("b")), true)
	check(err)
	proved, err := proof.Records(context.Background(), boxes, []proof.Cabinet{{Name: "a", Record: set.On[0].Record}, {Name: "b", Record: set.On[1].Record}}, seen, proof.Options{})
	check(err)
	show("proof", report.BoxProof(proved))
}

func show(name string, d report.Document) {
	check(d.Terminal(os.Stdout, 80, false))
	file, err := os.Create(name + ".html")
	check(err)
	check(d.HTML(context.Background(), file, report.A4))
	check(file.Close())
}

func check(err error) {
	if err != nil {
		log.Fatal(err)
	}
}

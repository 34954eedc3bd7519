package main

import (
	"github.com/spf13/cobra"

	"tapload/cmd/tapload/internal/screen"
	"tapload/fixtures/job/findings"
	"tapload/plot/report"
)

func newJobStatus(e env) *cobra.Command {
	var o answer
	c := &cobra.Command{
		Use:   "status",
		Short: "Say what a job has, what is missing, and what to do next",
		Long: `Say what a job has, what is missing, and which command comes next. It reads
every record that the job names and rates each cabinet.`,
		Example: `  tapload job status
  tapload job status --job lantern-hall --json`,
		RunE: func(c *cobra.Command, _ []string) error {
			j, err := theJob(c)
			if err != nil {
				return err
			}
			s, err := findings.Look(c.Context(), j, openFile)
			if err != nil {
				return err
			}
			next := e.asTyped(nextCommand(s))
			return o.show(e, struct {
				findings.StatusObject
				File string `json:"file"`
				Next string `json:"next"`
			}{s.Object(), jobPath(j), next}, report.JobStatus(s, jobPath(j), next), s.Warnings)
		},
	}
	o.register(c.Flags())
	return c
}

// nextCommand is the command line of a job's next step.
func nextCommand(s findings.Status) string {
	in := ""
	if s.Job.Folder != "." {
		in = " --job " + screen.Word(s.Job.Folder)
	}
	switch s.Next {
	case findings.AddAmplifier:
		return "tapload job add amplifier --tap 4,8,16 --watts 50" + in
	case findings.CalibrateJig:
		return "tapload jig open --card NAME -o jig.json"
	case findings.AddCabinet:
		return "tapload sweep --card NAME --label LABEL" + in
	case findings.Measure:
		return "tapload sweep --card NAME --label " + screen.Word(s.Of) + in
	case findings.Choose:
		return "tapload plan" + in
	case findings.Prove:
		return "tapload sweep --card NAME --as proof" + in
	case findings.Mend:
		return "tapload box verify --seen " + screen.Word(s.Of) + in
	case findings.MeasureAfter:
		return "tapload sweep --card NAME --as after --label " + screen.Word(s.Of) + in
	}
	return "tapload report" + in
}

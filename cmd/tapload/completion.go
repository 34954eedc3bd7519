package main

import (
	"fmt"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tapload/fixtures/setup"
	"tapload/measure"
)

// What a shell offers for the value of a flag, by the name of the flag: files
// of these kinds, or one of these words.
var (
	flagFiles = map[string][]string{
		"bench": {"toml"}, "limits": {"toml"}, "replay": {"wav"}, "jig": {"json"},
		"record": {recordKind}, "seen": {recordKind}, "cab": {recordKind}, "like": {recordKind}, "photo": {"png", "jpg", "jpeg"}, "with": {recordKind},
		"before": {recordKind}, "after": {recordKind}, "before-with": {recordKind}, "after-with": {recordKind},
	}
	flagWords = map[string][]string{
		"signal": {chirp, multitone, tones, listen}, "amp": {"valve", "solid-state"}, "bits": {"16", "24", "32f"},
		"format": {"csv", "touchstone"}, "paper": {"a4", "letter"}, "expect": measure.ExpectedNames[:],
		"as": {asCabinet, asProof, asBefore, asAfter}, "forget": append(setup.Names(), "all"),
	}
	argFiles = map[string][]string{
		"tapload fit": {recordKind}, "tapload plot": {recordKind}, "tapload export": {recordKind}, "tapload compare": {recordKind},
		"tapload plan": {recordKind}, "tapload hookup": {recordKind}, "tapload box sheet": {recordKind},
		"tapload import": {"csv", "s1p"}, "tapload jig show": {"json"}, "tapload jig prove": {"json"}, "tapload job add jig": {"json"},
	}
)

// recordKind is recordSuffix as shells count kinds of files.
const recordKind = "sweep.json"

// offer tells the shell what may stand where on the command lines of c and of
// all commands below it. Where it may be any file the shell knows best.
func offer(c *cobra.Command) {
	c.LocalNonPersistentFlags().VisitAll(func(f *pflag.Flag) { offerFlag(c, f) })
	c.PersistentFlags().VisitAll(func(f *pflag.Flag) { offerFlag(c, f) })
	if c.ValidArgsFunction == nil && !c.HasSubCommands() {
		c.ValidArgsFunction = cobra.NoFileCompletions
		if kinds := argFiles[c.CommandPath()]; kinds != nil {
			c.ValidArgsFunction = offerFiles(kinds)
		}
	}
	for _, sub := range c.Commands() {
		offer(sub)
	}
}

func offerFlag(c *cobra.Command, f *pflag.Flag) {
	value, _ := pflag.UnquoteUsage(f)
	offered := cobra.CompletionFunc(cobra.NoFileCompletions)
	switch {
	case f.NoOptDefVal != "": // a switch
		return
	case flagFiles[f.Name] != nil && f.Value.Type() != "bool":
		offered = offerFiles(flagFiles[f.Name])
	case flagWords[f.Name] != nil:
		words := flagWords[f.Name]
		offered = func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
			return slices.Clone(words), cobra.ShellCompDirectiveNoFileComp
		}
	case value == "folder":
		offered = func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
			return nil, cobra.ShellCompDirectiveFilterDirs
		}
	case value == "file" || value == "pattern":
		return
	}
	if err := c.RegisterFlagCompletionFunc(f.Name, offered); err != nil {
		panic(fmt.Sprintf("%s --%s: %v", c.CommandPath(), f.Name, err)) // registered twice
	}
}

func offerFiles(kinds []string) cobra.CompletionFunc {
	return func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
		return slices.Clone(kinds), cobra.ShellCompDirectiveFilterFileExt
	}
}

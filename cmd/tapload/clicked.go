package main

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"path/filepath"
)

// clicked opens the page at the bench for a double click. The console that came
// with it goes as soon as the browser has the page, and stays to say why it has not.
func clicked(ctx context.Context, _ []string, e env) int {
	e.talks, e.shown = false, leaveConsole
	code := run(ctx, []string{"live", "--documents"}, e)
	if code != exitDone {
		fmt.Fprint(e.stderr, "Press Enter to close this window. ")
		_, _ = bufio.NewReader(e.stdin).ReadString('\n')
	}
	return code
}

// workInDocuments makes the folder tapload of the user's documents the current one:
// a program that was started by its icon is in no folder that the user chose.
func workInDocuments() error {
	path, err := documents()
	if err == nil {
		path = filepath.Join(path, "tapload")
		if err = os.MkdirAll(path, 0o777); err == nil {
			err = os.Chdir(path)
		}
	}
	if err != nil {
		return fmt.Errorf("cannot work in the folder tapload of your documents (%w); start it in another folder, without --documents", err)
	}
	return nil
}

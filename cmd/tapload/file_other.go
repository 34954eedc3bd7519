//go:build !windows

package main

// held returns nil: an open file can be renamed and replaced here.
func held(string) error { return nil }

func plainErrno(err error) error { return err }

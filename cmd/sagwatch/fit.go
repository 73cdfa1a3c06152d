package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"time"

	"sagwatch/server/batch"
)

// fitCmd works measurements out without a database.
type fitCmd struct {
	Setup  string `help:"Set-up file: fit and verdict." xor:"by" placeholder:"FILE"`
	Gauge  string `help:"One gauge's definition: the fit, no verdict." xor:"by" placeholder:"FILE"`
	Points bool   `help:"The file holds {\"name\", \"points\": [[x, y, z], ...]} in mm." xor:"by"`
	File   string `arg:"" help:"JSON or NDJSON, - for standard input."`
}

func (f *fitCmd) Run(_ context.Context, s streams) error {
	in, closeIn, err := input(f.File, s.in)
	if err != nil {
		return err
	}
	defer closeIn()
	switch {
	case f.Points:
		return batch.FitPoints(in, s.out)
	case f.Gauge != "":
		gauge, err := os.ReadFile(f.Gauge)
		if err != nil {
			return err
		}
		if err := batch.FitGauge(in, s.out, gauge, time.Now()); err != nil {
			return refused(f.Gauge, err)
		}
		return nil
	case f.Setup != "":
		file, err := os.ReadFile(f.Setup)
		if err != nil {
			return err
		}
		c, err := batch.Catalogue(file)
		if err != nil {
			return refused(f.Setup, err)
		}
		return batch.Fit(in, s.out, c, time.Now())
	}
	return errors.New("say how to read the file: --setup FILE, --gauge FILE or --points")
}

// input opens a file, or standard input for -.
func input(name string, stdin io.Reader) (io.Reader, func(), error) {
	if name == "-" {
		return stdin, func() {}, nil
	}
	f, err := os.Open(name)
	if err != nil {
		return nil, nil, err
	}
	return f, func() {
		if err := f.Close(); err != nil {
			fmt.Fprintln(os.Stderr, err)
		}
	}, nil
}

package main

import (
	"bytes"
	"errors"
	"os"

	"sagwatch/server/verify"
)

// verifyCmd proves the statistics on the machine where it runs.
type verifyCmd struct {
	Table string `help:"Also write the table to this file, as the release keeps it." placeholder:"FILE"`
}

func (v *verifyCmd) Run(s streams) error {
	t, err := verify.Run()
	if err != nil {
		return err
	}
	ok := verify.Print(s.out, t)
	if v.Table != "" {
		var b bytes.Buffer
		if err := verify.Encode(&b, t); err != nil {
			return err
		}
		if err := os.WriteFile(v.Table, b.Bytes(), 0o644); err != nil {
			return err
		}
	}
	if !ok {
		return errors.New("a computed value does not agree with its source: do not use this build for decisions")
	}
	return nil
}

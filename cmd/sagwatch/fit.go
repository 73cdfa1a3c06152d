package main

import (
	"context"
	"errors"
)

type fitCmd struct{}

func (f *fitCmd) Run(context.Context, *cli, streams) error { return errors.New("not built yet") }

type importCmd struct{}

func (f *importCmd) Run(context.Context, *cli, streams) error { return errors.New("not built yet") }

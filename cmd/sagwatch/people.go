package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"sagwatch/server"
	"sagwatch/store"
)

type tokenCmd struct {
	Add    tokenAdd    `cmd:"" help:"Make a token; it is shown once, alone on the last line."`
	List   tokenList   `cmd:"" help:"List tokens by name; what is kept of a token does not reveal it."`
	Revoke tokenRevoke `cmd:"" help:"Make a token worthless at once."`
}

type tokenAdd struct {
	Name   string   `arg:"" help:"What it is for, such as the gauge's name."`
	Scopes []string `help:"What it may do: ingest, read, write." required:""`
}

func (t *tokenAdd) Run(ctx context.Context, c *cli, s streams) error {
	for _, scope := range t.Scopes {
		if !slices.Contains(server.Scopes, scope) {
			return fmt.Errorf("scope %q is not known; use %s", scope, strings.Join(server.Scopes, ", "))
		}
	}
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	token := server.NewToken()
	hash := server.HashToken(token)
	err = d.AddToken(ctx, server.EverySite, store.Token{Name: t.Name, Hash: hash[:], Scopes: t.Scopes, By: "command line"})
	if errors.Is(err, store.ErrExists) {
		return fmt.Errorf("a token named %q exists already; choose another name", t.Name)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.err, "Token %q may %s. It is shown this once; only its hash is kept.\n", t.Name, strings.Join(t.Scopes, ", "))
	fmt.Fprintln(s.out, token)
	return nil
}

type tokenList struct{}

func (t *tokenList) Run(ctx context.Context, c *cli, s streams) error {
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	tokens, err := d.Tokens(ctx, server.EverySite)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tSCOPES\tMADE\tLAST USED\tSTATE")
	for _, t := range tokens {
		used, state := "never", "valid"
		if !t.LastUsed.IsZero() {
			used = t.LastUsed.Format(time.DateTime)
		}
		if !t.Revoked.IsZero() {
			state = "revoked " + t.Revoked.Format(time.DateTime)
		}
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\n", t.Name, strings.Join(t.Scopes, ","), t.Created.Format(time.DateTime), used, state)
	}
	return w.Flush()
}

type tokenRevoke struct {
	Name string `arg:"" help:"The token's name."`
}

func (t *tokenRevoke) Run(ctx context.Context, c *cli, s streams) error {
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	if err := d.RevokeToken(ctx, server.EverySite, t.Name); err != nil {
		if errors.Is(err, store.ErrNotFound) {
			return fmt.Errorf("there is no valid token named %q", t.Name)
		}
		return err
	}
	fmt.Fprintf(s.out, "Token %q is revoked.\n", t.Name)
	return nil
}

type userCmd struct {
	Add  userAdd  `cmd:"" help:"Add a person."`
	List userList `cmd:"" help:"List people."`
}

type userAdd struct {
	Name          string `arg:"" help:"Name to sign in with."`
	Role          string `help:"viewer, technician, supervisor, engineer or administrator." required:"" enum:"viewer,technician,supervisor,engineer,administrator"`
	Display       string `help:"Name that others see (default: the name to sign in with)." placeholder:"NAME"`
	PasswordStdin bool   `help:"Read the password from the first line of standard input." required:""`
}

func (u *userAdd) Run(ctx context.Context, c *cli, s streams) error {
	line, err := bufio.NewReader(io.LimitReader(s.in, 4096)).ReadString('\n')
	if err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	hash, err := server.HashPassword(strings.TrimRight(line, "\r\n"))
	if err != nil {
		return err
	}
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	display := u.Display
	if display == "" {
		display = u.Name
	}
	err = d.AddUser(ctx, server.EverySite, store.User{Name: u.Name, Display: display, Role: u.Role, PasswordHash: hash})
	if errors.Is(err, store.ErrExists) {
		return fmt.Errorf("a person named %q exists already", u.Name)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%s may sign in as %s.\n", u.Name, u.Role)
	return nil
}

type userList struct{}

func (u *userList) Run(ctx context.Context, c *cli, s streams) error {
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	users, err := d.Users(ctx, server.EverySite)
	if err != nil {
		return err
	}
	w := tabwriter.NewWriter(s.out, 0, 4, 2, ' ', 0)
	fmt.Fprintln(w, "NAME\tDISPLAY\tROLE")
	for _, u := range users {
		fmt.Fprintf(w, "%s\t%s\t%s\n", u.Name, u.Display, u.Role)
	}
	return w.Flush()
}

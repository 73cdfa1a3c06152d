package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"time"

	"sagwatch/server"
	"sagwatch/server/plant"
	"sagwatch/server/setup"
	"sagwatch/store"
)

type setupCmd struct {
	Apply  setupApply  `cmd:"" help:"Define what a set-up file says; definitions are revised, never overwritten."`
	Export setupExport `cmd:"" help:"Write what is defined now as a set-up file."`
}

type setupApply struct {
	File          string `arg:"" help:"Set-up file (YAML or JSON), - for standard input."`
	DryRun        bool   `help:"Only say what would change."`
	Reason        string `help:"Why, for those who come later." placeholder:"TEXT"`
	EffectiveFrom string `help:"From when revised definitions hold, RFC 3339 (default: now)." placeholder:"TIME"`
}

// readFile reads a file, or standard input for -.
func readFile(name string, in io.Reader) ([]byte, error) {
	if name == "-" {
		return io.ReadAll(in)
	}
	return os.ReadFile(name)
}

func (a *setupApply) Run(ctx context.Context, c *cli, s streams) error {
	data, err := readFile(a.File, s.in)
	if err != nil {
		return err
	}
	effective := time.Now().UTC().Truncate(time.Microsecond)
	if a.EffectiveFrom != "" {
		if effective, err = time.Parse(time.RFC3339, a.EffectiveFrom); err != nil {
			return fmt.Errorf("--effective-from %q is not an RFC 3339 time such as 2026-03-02T06:00:00Z", a.EffectiveFrom)
		}
	}
	p, err := setup.Read(data)
	if err != nil {
		return refused(a.File, err)
	}
	if err := server.CheckPairs(p.Gauges, p.Products); err != nil {
		return refused(a.File, err)
	}
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	site := c.Site
	if site == "" {
		site = p.SiteID
	}
	if site, err = server.ResolveSite(ctx, d.Store, site); err != nil {
		return err
	}
	if p.SiteID != "" && p.SiteID != site {
		return fmt.Errorf("the file is for site %s, not %s; nothing was changed", p.SiteID, site)
	}
	if other, err := d.Sites(ctx); err == nil && c.Site == "" && len(other) > 0 && site != other[0] {
		return fmt.Errorf("the database holds site %s and the file is for %s; name the site with --site to keep both", other[0], site)
	}
	catalogue, err := server.ReadCatalogue(ctx, d.Store, site)
	if err != nil {
		return err
	}
	if err := p.Check(catalogue); err != nil {
		return refused(a.File, err)
	}
	changes, err := p.ChangesAt(site, catalogue, effective)
	if err != nil {
		return err
	}
	for _, n := range p.Notes {
		fmt.Fprintln(s.out, "Note:", n)
	}
	for _, ch := range changes {
		fmt.Fprintln(s.out, ch)
	}
	switch {
	case len(changes) == 0:
		fmt.Fprintln(s.out, "Nothing changes: all of it is defined so already.")
		return nil
	case a.DryRun:
		fmt.Fprintf(s.out, "%d definitions would change; nothing was stored (dry run).\n", len(changes))
		return nil
	}
	who := "command line"
	if u, err := user.Current(); err == nil {
		who = u.Username + " (command line)"
	}
	defs := make([]store.Definition, len(changes))
	for i, ch := range changes {
		from := effective
		if ch.Kind == plant.KindSite && ch.Was == 0 {
			from = time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC)
		}
		reason := a.Reason
		if reason == "" {
			reason = "set-up file applied"
		}
		defs[i] = store.Definition{Kind: ch.Kind, ID: ch.ID, EffectiveFrom: from, Body: ch.Body, Retired: ch.Retired(), Reason: reason, By: who}
	}
	if len(catalogue.Revisions) == 0 && !hasSite(changes) {
		// The site's own row is what names the site, so there is always one.
		body, err := setup.SiteBody(catalogue.Site(site))
		if err != nil {
			return err
		}
		defs = append(defs, store.Definition{Kind: plant.KindSite, ID: site, EffectiveFrom: time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC), Body: body, Reason: "default", By: who})
	}
	if err := d.AddDefinitions(ctx, site, defs); err != nil {
		return err
	}
	fmt.Fprintf(s.out, "%d definitions stored for site %s, in force from %s.\n", len(changes), site, effective.Format(time.RFC3339))
	return nil
}

func hasSite(changes []setup.Change) bool {
	for _, c := range changes {
		if c.Kind == plant.KindSite {
			return true
		}
	}
	return false
}

func refused(file string, err error) error {
	var p setup.Problems
	if errors.As(err, &p) {
		return fmt.Errorf("%s is refused, nothing was changed:\n%w", file, err)
	}
	return fmt.Errorf("%s: %w", file, err)
}

type setupExport struct{}

func (e *setupExport) Run(ctx context.Context, c *cli, s streams) error {
	d, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer d.Close()
	site, err := server.ResolveSite(ctx, d.Store, c.Site)
	if err != nil {
		return err
	}
	catalogue, err := server.ReadCatalogue(ctx, d.Store, site)
	if err != nil {
		return err
	}
	out, err := setup.Export(site, catalogue)
	if err != nil {
		return err
	}
	_, err = s.out.Write(out)
	return err
}

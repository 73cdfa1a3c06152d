package main

import (
	"context"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"sync"
	"time"

	"sagwatch/server"
	"sagwatch/server/batch"
	"sagwatch/server/ingest"
	"sagwatch/server/plant"
)

// importCmd brings history in.
type importCmd struct {
	Files   []string `arg:"" help:"Files: .csv, or one JSON object a line."`
	Gauge   string   `help:"Gauge of rows that do not name one." placeholder:"ID"`
	Press   string   `help:"Press of rows that do not name one." placeholder:"ID"`
	Product string   `help:"Product of rows that do not name one." placeholder:"ID"`
	Purpose string   `help:"Purpose of rows that do not name one (default: production)." placeholder:"WORD"`
	Match   bool     `help:"Recognise rows without sequence by gauge, panel and time measured."`
	Quiet   bool     `help:"No progress bar."`
}

// shownRefusals is how many refused rows are printed; all are counted.
const shownRefusals = 20

func (v *importCmd) Run(ctx context.Context, c *cli, s streams) error {
	var total int64
	for _, name := range v.Files {
		st, err := os.Stat(name)
		if err != nil {
			return err
		}
		total += st.Size()
	}
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
	zone, err := time.LoadLocation(catalogue.Site(site).TimeZone)
	if err != nil {
		return err
	}
	log := slog.New(slog.NewTextHandler(s.err, nil))
	committer := ingest.NewCommitter(d.Store, site, log)
	defer committer.Stop()
	bar := &progressBar{out: s.err, total: total, quiet: v.Quiet, start: time.Now()}
	word := func(w string) *string {
		if w == "" {
			return nil
		}
		return &w
	}
	im := &batch.Importer{Service: ingest.New(ingest.Config{Site: site, Catalogue: func() *plant.Catalogue { return catalogue }, Committer: committer, Now: time.Now}),
		Committer: committer, Store: d.Store, Site: site, Source: "import", Zone: zone, Match: v.Match,
		Defaults: ingest.Message{Gauge: word(v.Gauge), Press: word(v.Press), Product: word(v.Product), Purpose: word(v.Purpose)}}
	shown := 0
	im.Refused = func(file string, line int, p *ingest.Problem) {
		if shown++; shown <= shownRefusals {
			bar.clear()
			fmt.Fprintf(s.err, "%s line %d: %s\n", file, line, p.Detail)
		} else if shown == shownRefusals+1 {
			bar.clear()
			fmt.Fprintln(s.err, "Further refusals are counted, not shown.")
		}
	}
	var sum batch.Summary
	var before int64
	for _, name := range v.Files {
		im.Progress = func(done int64) { bar.show(before + done) }
		part, err := importFile(ctx, im, name)
		sum.Add(part)
		if err != nil {
			bar.clear()
			fmt.Fprintln(s.out, sum)
			return err
		}
		if st, err := os.Stat(name); err == nil {
			before += st.Size()
		}
	}
	bar.clear()
	fmt.Fprintln(s.out, sum)
	if sum.Refused+sum.Conflicts > 0 {
		return fmt.Errorf("%d rows are not stored as they came; put them right and run the import again: it leaves alone what is stored", sum.Refused+sum.Conflicts)
	}
	return nil
}

func importFile(ctx context.Context, im *batch.Importer, name string) (batch.Summary, error) {
	f, err := os.Open(name)
	if err != nil {
		return batch.Summary{}, err
	}
	defer f.Close()
	return im.File(ctx, name, f)
}

// progressBar draws how much of the files has been read, at most ten times a second.
type progressBar struct {
	out   io.Writer
	total int64
	quiet bool
	start time.Time

	mu   sync.Mutex
	last time.Time
	wide int
}

func (b *progressBar) show(done int64) {
	b.mu.Lock()
	defer b.mu.Unlock()
	now := time.Now()
	if b.quiet || b.total == 0 || now.Sub(b.last) < 100*time.Millisecond {
		return
	}
	b.last = now
	const width = 40
	full := int(done * width / b.total)
	line := fmt.Sprintf("[%s%s] %3d %%  %s", strings.Repeat("#", full), strings.Repeat(".", max(0, width-full)), done*100/b.total, now.Sub(b.start).Round(time.Second))
	fmt.Fprintf(b.out, "\r%s", line)
	b.wide = len(line)
}

// clear wipes the bar, so that words do not stand behind it.
func (b *progressBar) clear() {
	b.mu.Lock()
	defer b.mu.Unlock()
	if b.wide > 0 {
		fmt.Fprintf(b.out, "\r%s\r", strings.Repeat(" ", b.wide))
		b.wide = 0
	}
}

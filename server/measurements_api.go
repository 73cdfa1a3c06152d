package server

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"

	"sagwatch/server/ingest"
	"sagwatch/store"
)

// Bounds of the machine interface (contract: 10 000 measurements, 16 MiB, 64 KiB a line).
const (
	maxBody   = 16 << 20
	maxList   = 10_000
	maxLine   = 64 << 10
	inFlight  = 2_000 // lines of one stream that may be under way at once: keeps memory flat
	oneObject = 1 << 20
)

// postMeasurements handles POST /api/v1/measurements: one object, {"measurements": [...]}, or NDJSON.
func (s *Server) postMeasurements(w http.ResponseWriter, r *http.Request) error {
	media, _, err := mime.ParseMediaType(r.Header.Get("Content-Type"))
	if err != nil {
		media = r.Header.Get("Content-Type")
	}
	switch media {
	case "application/json":
		return s.postJSON(w, r)
	case "application/x-ndjson", "application/ndjson":
		return s.postStream(w, r)
	}
	return &ingest.Problem{Type: ingest.TypeMedia, Title: "Wrong content type", Status: http.StatusUnsupportedMediaType,
		Detail: fmt.Sprintf("Content-Type %q is not taken; send application/json (one object or {\"measurements\": [...]}) or application/x-ndjson (one object a line)", media)}
}

func (s *Server) postJSON(w http.ResponseWriter, r *http.Request) error {
	body, err := io.ReadAll(http.MaxBytesReader(w, r.Body, maxBody))
	if err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return &ingest.Problem{Type: ingest.TypeTooLarge, Title: "Too large", Status: http.StatusRequestEntityTooLarge,
				Detail: fmt.Sprintf("a JSON body may have 16 MiB (%d bytes); send several, or application/x-ndjson, which has no bound", maxBody)}
		}
		return &ingest.Problem{Type: ingest.TypeMalformed, Title: "The body broke off", Status: http.StatusBadRequest,
			Detail: "the body ended before its length was reached; nothing of it was stored, send it again"}
	}
	if ingest.IsList(body) {
		return s.postList(w, r, body)
	}
	var m ingest.Message
	if err := ingest.Decode(body, &m); err != nil {
		return decodeProblem(err)
	}
	res, row, err := s.ingest.Take(r.Context(), &m, source(r.Context()))
	if err != nil {
		return err
	}
	if err := s.answerHeld(r.Context(), &res, row); err != nil {
		return err
	}
	s.metrics.taken(res.Status, 1)
	if res.Problem != nil {
		return res.Problem
	}
	return writeJSON(w, http.StatusOK, res)
}

// decodeProblem keeps the difference between broken JSON (400) and JSON that is no measurement (422).
func decodeProblem(err error) error {
	if errors.Is(err, ingest.ErrMalformed) {
		return ingest.Malformed(err)
	}
	return err
}

// future is one measurement under way.
type future struct {
	row  *store.Row
	res  ingest.Result
	err  error
	done chan struct{}
}

func settled(res ingest.Result) *future {
	f := &future{res: res, done: make(chan struct{})}
	close(f.done)
	return f
}

// start decodes, checks and works out one raw message and hands it to the committer.
func (s *Server) start(ctx context.Context, raw []byte, put func(*store.Row, func(store.Outcome, error)) error) (*future, error) {
	var m ingest.Message
	if err := ingest.Decode(raw, &m); err != nil {
		var p *ingest.Problem
		if !errors.As(decodeProblem(err), &p) {
			return nil, err
		}
		return settled(ingest.Refused("", p)), nil
	}
	row, p := s.ingest.Prepare(&m, source(ctx))
	if p != nil {
		res := ingest.Refused("", p)
		if m.Panel != nil && len(*m.Panel) <= 64 {
			res.Panel = *m.Panel
		}
		return settled(res), nil
	}
	f := &future{row: row, done: make(chan struct{})}
	err := put(row, func(o store.Outcome, err error) {
		if f.err = err; err == nil {
			f.res = ingest.Answer(row, o)
		}
		close(f.done)
	})
	if err != nil {
		return nil, err
	}
	return f, nil
}

// wait gives a future's result; a member that the database could not keep is answered as refused, its neighbours stand.
func (s *Server) wait(r *http.Request, f *future) ingest.Result {
	<-f.done
	if f.err != nil {
		t := troubleOf(f.err)
		number := s.logTrouble(r, t)
		detail := t.Say
		if number != "" {
			detail += " It was not stored; send it again. The log has the details under " + number + "."
		}
		f.res = ingest.Refused(f.row.Panel, &ingest.Problem{Type: "about:blank", Title: http.StatusText(t.Status), Status: t.Status, Detail: detail})
	}
	if err := s.answerHeld(r.Context(), &f.res, f.row); err != nil {
		// It is stored; that it is on hold is seen wherever it is looked at.
		s.log.Warn("whether a panel is on hold was not found for the answer", "panel", f.row.Panel, "error", err)
	}
	s.metrics.taken(f.res.Status, 1)
	return f.res
}

func (s *Server) postList(w http.ResponseWriter, r *http.Request, body []byte) error {
	list, err := ingest.DecodeList(body)
	if err != nil {
		return decodeProblem(err)
	}
	if len(list) > maxList {
		return &ingest.Problem{Type: ingest.TypeTooLarge, Title: "Too many", Status: http.StatusRequestEntityTooLarge,
			Detail: fmt.Sprintf("a list may have %d measurements, this has %d; send several, or application/x-ndjson", maxList, len(list))}
	}
	futures := make([]*future, len(list))
	for i, raw := range list {
		put := func(row *store.Row, then func(store.Outcome, error)) error {
			if i == 0 {
				return s.committer.Try(row, then)
			}
			return s.committer.Put(r.Context(), row, then)
		}
		if futures[i], err = s.start(r.Context(), raw, put); err != nil {
			if i == 0 || errors.Is(err, context.Canceled) {
				return err // nothing is under way yet, or nobody is there to be told
			}
			futures[i] = &future{row: &store.Row{}, err: err, done: closed}
		}
	}
	results := make([]ingest.Result, len(list))
	for i, f := range futures {
		results[i] = s.wait(r, f)
		results[i].Index = &i
		if p := results[i].Problem; p != nil {
			p.Index = &i
		}
	}
	return writeJSON(w, http.StatusOK, map[string]any{"results": results})
}

var closed = func() chan struct{} { c := make(chan struct{}); close(c); return c }()

// postStream answers line by line while the body is still being read. A writer goroutine keeps the order of the lines;
// the reader stops when inFlight lines wait, and so the sender is slowed down by its own connection.
func (s *Server) postStream(w http.ResponseWriter, r *http.Request) error {
	out := http.NewResponseController(w)
	if err := out.EnableFullDuplex(); err != nil && r.ProtoMajor == 1 {
		return fmt.Errorf("full duplex: %w", err)
	}
	var track *streamProgress
	if of, err := strconv.ParseInt(r.URL.Query().Get("expect"), 10, 64); err == nil && of > 0 {
		track = s.progress.begin(of)
		defer s.progress.end(track)
	}
	lines := make(chan *numbered, inFlight)
	written := make(chan struct{})
	begun := false
	begin := func() {
		if !begun {
			begun = true
			w.Header().Set("Content-Type", "application/x-ndjson")
			w.Header().Set("Cache-Control", "no-store")
			w.WriteHeader(http.StatusOK)
		}
	}
	reader := bufio.NewReaderSize(r.Body, maxLine)
	first, err := s.nextLine(r, reader, 1, true)
	if err != nil {
		return err // refused before anything was taken: 429 and the like
	}
	begin()
	go func() {
		defer close(written)
		enc := json.NewEncoder(w)
		for n := range lines {
			res := s.wait(r, n.future)
			res.Line = &n.line
			if res.Problem != nil {
				res.Problem.Line = &n.line
			}
			if track != nil {
				s.progress.step(track)
			}
			if enc.Encode(res) != nil {
				continue // the sender has gone: what was read is stored all the same
			}
			if len(lines) == 0 {
				_ = out.Flush()
			}
		}
	}()
	for n := first; n != nil; {
		lines <- n
		if n.last {
			break
		}
		if n, err = s.nextLine(r, reader, n.line+1, false); err != nil {
			break
		}
	}
	close(lines)
	<-written
	return nil
}

type numbered struct {
	*future
	line int
	last bool
}

// nextLine reads and starts one line; nil at the end of the body. Blank lines count but are not answered.
func (s *Server) nextLine(r *http.Request, reader *bufio.Reader, line int, first bool) (*numbered, error) {
	for ; ; line++ {
		raw, err := reader.ReadSlice('\n')
		end := err != nil && !errors.Is(err, bufio.ErrBufferFull)
		if errors.Is(err, bufio.ErrBufferFull) {
			if err := skipLine(reader); err != nil {
				end = true
			}
			return &numbered{settled(ingest.Refused("", &ingest.Problem{Type: ingest.TypeTooLarge, Title: "Line too long", Status: http.StatusRequestEntityTooLarge,
				Detail: fmt.Sprintf("a line may have 64 KiB (%d bytes); this one was left out, the stream goes on", maxLine)})), line, end}, nil
		}
		if end && !errors.Is(err, io.EOF) {
			// The connection broke inside a line: what came of it is no measurement.
			return nil, nil
		}
		raw = bytes.TrimSpace(raw)
		if len(raw) == 0 {
			if end {
				return nil, nil
			}
			continue
		}
		put := func(row *store.Row, then func(store.Outcome, error)) error {
			return s.committer.Put(r.Context(), row, then)
		}
		if first {
			put = s.committer.Try
		}
		f, err := s.start(r.Context(), raw, put)
		if err != nil {
			if first {
				return nil, err
			}
			f = &future{row: &store.Row{}, err: err, done: closed}
			end = true
		}
		return &numbered{f, line, end}, nil
	}
}

func skipLine(reader *bufio.Reader) error {
	for {
		_, err := reader.ReadSlice('\n')
		if err == nil || !errors.Is(err, bufio.ErrBufferFull) {
			return err
		}
	}
}

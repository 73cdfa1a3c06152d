package server

import (
	"bytes"
	_ "embed" // openapi.json
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/go-chi/chi/v5"

	"sagwatch/server/ingest"
)

// apiRoutes lists the machine interface beside intake; a token needs the scope read to look and write to change.
func (s *Server) apiRoutes(r chi.Router) {
	r.Group(func(r chi.Router) {
		r.Use(s.machineOrPerson(ScopeRead))
		r.Get("/measurements", s.api(s.getMeasurements))
		r.Get("/measurements/{id}", s.api(s.getMeasurement))
		r.Get("/panels/{press}/{serial}", s.api(s.getPanel))
		r.Get("/conflicts", s.api(s.getConflicts))
		r.Get("/charts", s.api(s.getCharts))
		r.Get("/charts/{id}/points", s.api(s.getPoints))
		r.Get("/charts/{id}/limits", s.api(s.getLimits))
		r.Get("/signals", s.api(s.getSignals))
		r.Get("/signals/{id}", s.api(s.getSignal))
		r.Get("/signals/{id}/panels", s.api(s.getSignalPanels))
		r.Get("/signals/{id}/plans", s.api(s.getPlans))
		r.Get("/pareto/causes", s.api(s.getParetoCauses))
		r.Get("/pareto/defects", s.api(s.getParetoDefects))
		r.Get("/holds", s.api(s.getHolds))
		r.Get("/holds/{id}", s.api(s.getHold))
		r.Get("/holds/{id}/panels", s.api(s.getHoldPanels))
		r.Get("/events", s.api(s.getEvents))
		r.Get("/gauges/{id}/master", s.api(s.getMaster))
		r.Get("/gauges/{id}/doubts", s.api(s.getDoubts))
		r.Get("/gauges/{id}/at-risk", s.api(s.getAtRisk))
		r.Get("/capability", s.api(s.getCapability))
		r.Get("/reports", s.api(s.getReports))
		r.Get("/reports/{id}", s.api(s.getReport))
		r.Get("/reports/{id}/{file}", s.api(s.saveReport))
		r.Get("/studies", s.api(s.getStudies))
		r.Get("/studies/{id}", s.api(s.getStudy))
		r.Get("/openapi.json", s.api(getOpenAPI))
		for _, kind := range definitionKinds {
			r.Get("/"+kind.plural, s.api(s.getDefinitions(kind)))
			r.Get("/"+kind.plural+"/{id}", s.api(s.getDefinition(kind)))
		}
	})
	r.Group(func(r chi.Router) {
		r.Use(s.machineOrPerson(ScopeWrite))
		r.Post("/measurements/{id}/corrections", s.api(s.postCorrection))
		r.Post("/measurements/{id}/void", s.api(s.postVoid))
		r.Post("/conflicts/{id}", s.api(s.postConflict))
		r.Post("/charts/{id}/limits", s.api(s.postLimits))
		r.Post("/signals/{id}/acknowledge", s.api(s.postAcknowledge))
		r.Post("/signals/{id}/close", s.api(s.postClose))
		r.Post("/signals/{id}/plans", s.api(s.postPlan))
		r.Post("/signals/{id}/plans/{cause}/steps", s.api(s.postStep))
		r.Post("/holds", s.api(s.postHold))
		r.Post("/holds/{id}/panels", s.api(s.postHoldPanels))
		r.Post("/holds/{id}/release", s.api(s.postHoldRelease))
		r.Post("/holds/{id}/end", s.api(s.postHoldEnd))
		r.Post("/holds/{id}/close", s.api(s.postHoldClose))
		r.Post("/events", s.api(s.postEvent))
		r.Post("/gauges/{id}/doubts", s.api(s.postDoubt))
		r.Post("/exclusions", s.api(s.postExclusion))
		for _, kind := range definitionKinds {
			r.Put("/"+kind.plural+"/{id}", s.api(s.putDefinition(kind)))
		}
	})
}

// timeParam reads an RFC 3339 query parameter; the zero time when it is absent.
func timeParam(q url.Values, name string) (time.Time, error) {
	v := q.Get(name)
	if v == "" {
		return time.Time{}, nil
	}
	t, err := time.Parse(time.RFC3339Nano, v)
	if err != nil {
		return t, badInput(name, "%s=%.60q is not an RFC 3339 time such as 2026-03-02T06:00:00Z.", name, v)
	}
	return t.UTC(), nil
}

func limitParam(q url.Values, usual, most int) (int, error) {
	v := q.Get("limit")
	if v == "" {
		return usual, nil
	}
	n, err := strconv.Atoi(v)
	if err != nil || n < 1 || n > most {
		return 0, badInput("limit", "limit=%.20q is not a whole number from 1 to %d.", v, most)
	}
	return n, nil
}

func span(q url.Values) (from, to time.Time, err error) {
	if from, err = timeParam(q, "from"); err != nil {
		return from, to, err
	}
	to, err = timeParam(q, "to")
	return from, to, err
}

func idParam(r *http.Request) (int64, error) {
	id, err := strconv.ParseInt(chi.URLParam(r, "id"), 10, 64)
	if err != nil || id < 1 {
		return 0, notFound("There is no measurement %.40q: an id is a whole number.", chi.URLParam(r, "id"))
	}
	return id, nil
}

// body decodes a small JSON object strictly.
func body(r *http.Request, into any) error {
	if media := r.Header.Get("Content-Type"); !strings.HasPrefix(media, "application/json") {
		return &Trouble{Status: http.StatusUnsupportedMediaType, Type: ingest.TypeMedia, Say: fmt.Sprintf("Content-Type %q is not taken; send application/json.", media)}
	}
	data, err := io.ReadAll(io.LimitReader(r.Body, oneObject+1))
	if err != nil {
		return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "The body broke off.", Err: err}
	}
	if len(data) > oneObject {
		return &Trouble{Status: http.StatusRequestEntityTooLarge, Type: ingest.TypeTooLarge, Say: "The body may have 1 MiB."}
	}
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "The body can't be read: " + strings.TrimPrefix(err.Error(), "json: ") + "."}
	}
	if d.More() {
		return &Trouble{Status: http.StatusBadRequest, Type: ingest.TypeMalformed, Say: "Something follows the JSON object."}
	}
	return nil
}

// orEmpty makes an empty list of a nil one, so that machines always find a list.
func orEmpty[T any](list []T) []T {
	if list == nil {
		return []T{}
	}
	return list
}

// openAPI describes the machine interface; a test holds it against the routes.
//
//go:embed openapi.json
var openAPI []byte

// getOpenAPI handles GET /api/v1/openapi.json.
func getOpenAPI(w http.ResponseWriter, _ *http.Request) error {
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(openAPI) // the client may have gone
	return nil
}

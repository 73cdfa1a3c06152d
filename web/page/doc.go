// Package page has one model and one template per page. A model is shaped like its page: strings already rounded, with units,
// signs and doubt; drawings as values of web/plot; links as addresses. The template writes them down and computes nothing.
//
// Addresses of the pages and of the forms on them:
//
//	GET  /                                   Line
//	GET  /gauge                              GaugePicker
//	GET  /gauge/{id}?panel=                  Gauge: the latest panel, or the one that was scanned
//	GET  /gauge/{id}/key-in?panel=           KeyIn
//	POST /gauge/{id}/key-in                  fields as KeyIn says; back to /gauge/{id} when stored, KeyIn with its problems when not
//	GET  /panels?press=&mould=&verdict=&serial=&from=&to=&after=      Panels
//	GET  /panels/{press}/{serial}            Panel
//	GET  /measurements/{id}/correct          Correct        POST the same
//	GET  /measurements/{id}/void             Void           POST the same
//	GET  /charts                             Charts
//	GET  /charts/{id}?stream=&from=&to=      Chart          /charts/{id}.csv with the same query: its table
//	POST /charts/{id}/limits                 fields as LimitsForm says
//	GET  /signals?state=                     Signals
//	GET  /signals/{id}                       Signal         POST /signals/{id}/acknowledge, /signals/{id}/close: note
//	GET  /setup                              SetUp          POST /setup/conflicts/{id}: resolution, reason
//	GET  /sign-in                            SignIn         POST: name, password, back; or person (demonstration only), back
//	POST /sign-out
//	GET  /first                              First          POST: name, display, password, again
//	POST /looks                              theme, lengths, back
//
// A page that people watch is live when its model's frame names an event stream (Frame.Live). On each event called "changed" the page
// asks for itself (Frame.Here) and puts its own live parts in place of the old ones; one request is under way at a time and the last
// event waits for it. Forms lie outside those parts, and a part that did not change is left alone. Many changes in a second are best
// sent as one event.
package page

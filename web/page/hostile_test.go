package page_test

import (
	"bytes"
	"context"
	"reflect"
	"strings"
	"testing"
	"time"

	"github.com/a-h/templ"
	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"sagwatch/web/page"
	"sagwatch/web/plot"
	"sagwatch/web/ui"
)

// hostile tries to end an attribute, a tag and a script. link tries to be run by a browser.
const (
	hostile = `"'></a></title></script><script src="x">x</script><img src=x onerror=x>&lt;b&gt;`
	link    = `javascript:alert(1)`
)

// fill sets every string, one element of every list, and every pointer of a model. Addresses get link, everything else hostile.
func fill(v reflect.Value, name string) {
	if v.CanSet() {
		switch p := v.Addr().Interface().(type) {
		case *time.Time:
			*p = time.Date(2026, 3, 5, 13, 41, 0, 0, time.UTC)
			return
		case *ui.Drawing:
			*p = nil
			return
		case **plot.Chart:
			at := time.Date(2026, 3, 5, 13, 0, 0, 0, time.UTC)
			*p = &plot.Chart{ID: name, Title: hostile, Desc: hostile, From: at, To: at.Add(time.Hour), Panes: []plot.Pane{{Title: hostile, What: hostile, Main: true,
				Points: []plot.Point{{At: at.Add(time.Minute), Value: 1, Href: "x", Title: hostile, Words: hostile, Kind: plot.Signal}, {At: at.Add(2 * time.Minute), Value: 2, Reason: hostile, Kind: plot.Hollow}}}},
				Events: []plot.Event{{At: at.Add(time.Minute), Words: hostile}}}
			return
		case **plot.Map:
			*p = &plot.Map{ID: name, Title: hostile, Desc: hostile, Caption: hostile, Places: []plot.Place{{N: 1, X: 1, Y: 2, DevUM: 3}, {N: 2, X: 90, Y: 2, DevUM: 5}, {N: 3, X: 9, Y: 80, DevUM: -5}}}
			return
		case **plot.Ring:
			*p = &plot.Ring{ID: name, Title: hostile, Desc: hostile, Words: []string{hostile}, Moulds: []plot.RingMould{{Name: hostile, Href: "x"}}}
			return
		case **plot.Sparkline:
			*p = &plot.Sparkline{ID: name, Title: hostile, Desc: hostile}
			return
		case **plot.Span:
			one := 1.0
			*p = &plot.Span{ID: name, Title: hostile, Desc: hostile, Value: .5, Upper: &one}
			return
		}
	}
	switch v.Kind() {
	case reflect.String:
		switch name {
		case "Href", "Action", "Back", "Acknowledge", "Close", "CSV", "Behind", "Newer", "Older", "Again", "Issue":
			v.SetString(link)
		default:
			v.SetString(hostile)
		}
	case reflect.Slice:
		s := reflect.MakeSlice(v.Type(), 1, 1)
		fill(s.Index(0), name)
		v.Set(s)
	case reflect.Pointer:
		p := reflect.New(v.Type().Elem())
		fill(p.Elem(), name)
		v.Set(p)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(v.Field(i), v.Type().Field(i).Name)
		}
	case reflect.Int, reflect.Int64:
		v.SetInt(1)
	case reflect.Bool:
		v.SetBool(name == "May" || name == "Plots")
	}
}

func TestHostileWordsStayWords(t *testing.T) {
	type paged interface{ Page() templ.Component }
	for _, model := range []paged{&page.Line{}, &page.GaugePicker{}, &page.Gauge{}, &page.KeyIn{}, &page.Correct{}, &page.Void{}, &page.Panels{}, &page.Panel{}, &page.Charts{}, &page.Chart{},
		&page.Signals{}, &page.Signal{}, &page.SetUp{}, &page.SignIn{}, &page.First{}, &page.Trouble{}, &page.Reports{}, &page.Report{}, &page.HandOver{}} {
		t.Run(reflect.TypeOf(model).Elem().Name(), func(t *testing.T) {
			fill(reflect.ValueOf(model).Elem(), "")
			var b bytes.Buffer
			require.NoError(t, model.Page().Render(context.Background(), &b))
			doc, err := html.Parse(&b)
			require.NoError(t, err)
			words := 0
			for n := range doc.Descendants() {
				switch {
				case n.Type == html.TextNode && strings.Contains(n.Data, hostile):
					words++
				case n.Type == html.ElementNode:
					require.NotEqual(t, "img", n.Data, "markup came through")
					for _, a := range n.Attr {
						require.False(t, strings.HasPrefix(a.Key, "on"), "<%s %s> came through", n.Data, a.Key)
						if a.Key == "href" || a.Key == "action" || a.Key == "formaction" || a.Key == "src" {
							require.NotContains(t, a.Val, "javascript:", "<%s %s>", n.Data, a.Key)
						}
						if n.Data == "script" && a.Key == "src" {
							require.True(t, strings.HasPrefix(a.Val, "/assets/"))
						}
					}
				}
			}
			require.Greater(t, words, 3, "the words themselves are shown")
		})
	}
}

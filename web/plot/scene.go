package plot

// Scene is a finished drawing: a frame and its marks, back to front. Units are CSS pixels at the drawing's natural size, x right,
// y down.
type Scene struct {
	Frame
	Marks []Mark
}

// Frame is the size and the spoken name of a drawing.
type Frame struct {
	ID            string // prefix of element ids, "" for none
	Role          string // role class: plot, map, ring
	Width, Height float64
	Title, Desc   string
	Links         bool // some marks are links: a group of things, not one picture
}

// MarkKind says which fields of a Mark count.
type MarkKind uint8

const (
	Line      MarkKind = iota // from X, Y to X2, Y2
	Rect                      // corner X, Y; X2 wide, Y2 high
	Disc                      // centre X, Y; radius X2
	Stroke                    // open polylines in Paths
	Area                      // closed polygons in Paths, filled even-odd
	Words                     // Text at X, Y, which is on the base line
	ClipBegin                 // from here to ClipEnd nothing shows outside Paths
	ClipEnd
	GroupBegin // marks that belong together, up to GroupEnd
	GroupEnd
)

// XY is a point of a drawing.
type XY struct{ X, Y float64 }

// Mark is one primitive.
type Mark struct {
	Kind  MarkKind
	Role  string // class names
	X, Y  float64
	X2    float64
	Y2    float64
	Paths [][]XY
	Text  string
	Aside string // a second run of words, in the role "what"
	Title string // shown on the mark
	Href  string // makes the mark a link
	Stop  bool   // of the links of a drawing this one is reached by the tab key
}

// Writer puts a scene on a medium. SVG is one; print is another.
type Writer interface {
	Begin(Frame)
	Mark(*Mark)
	End()
}

// Draw sends the scene to w.
func (s *Scene) Draw(w Writer) {
	w.Begin(s.Frame)
	for i := range s.Marks {
		w.Mark(&s.Marks[i])
	}
	w.End()
}

func (s *Scene) add(m Mark) { s.Marks = append(s.Marks, m) }

func (s *Scene) line(x1, y1, x2, y2 float64, role string) {
	s.add(Mark{Kind: Line, X: x1, Y: y1, X2: x2, Y2: y2, Role: role})
}

func (s *Scene) rect(x, y, w, h float64, role string) {
	s.add(Mark{Kind: Rect, X: x, Y: y, X2: max(w, 0), Y2: max(h, 0), Role: role})
}

func (s *Scene) disc(x, y, r float64, role, title string) {
	s.add(Mark{Kind: Disc, X: x, Y: y, X2: r, Role: role, Title: title})
}

func (s *Scene) stroke(role string, paths ...[]XY) {
	s.add(Mark{Kind: Stroke, Role: role, Paths: paths})
}

func (s *Scene) area(role string, paths ...[]XY) {
	s.add(Mark{Kind: Area, Role: role, Paths: paths})
}

func (s *Scene) words(x, y float64, text, role string) {
	s.add(Mark{Kind: Words, X: x, Y: y, Text: text, Role: role})
}

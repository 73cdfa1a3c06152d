package plot

// Wide returns the chart as SVG, 1328 units wide.
func (c Chart) Wide() string { return "" }

// Phone returns the chart as SVG, 358 units wide: the last six hours at most, values at the line ends without words.
func (c Chart) Phone() string { return "" }

// SVG returns the sparkline, 106 by 84 units.
func (s Sparkline) SVG() string { return "" }

// SVG returns the ring, 132 by 132 units.
func (r Ring) SVG() string { return "" }

// SVG returns the map, 640 units wide.
func (m Map) SVG() string { return "" }

// StepUM returns the contour step of the map in µm.
func (m Map) StepUM() float64 { return 0 }

// SVG returns the bar, 300 by 24 units.
func (s Span) SVG() string { return "" }

// Command sagwatch serves statistical process control of faceplate curvature:
// it takes in what the gauges measure, judges each panel, watches the presses,
// and shows people what changed, where and since when.
package main

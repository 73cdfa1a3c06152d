package present

var shapeNames = map[string]string{"bow_um": "Bow", "twofold_um": "Two-fold", "twist_um": "Twist", "cubic_1_um": "Cubic 1", "cubic_2_um": "Cubic 2", "cubic_3_um": "Cubic 3", "cubic_4_um": "Cubic 4", "bow4_um": "Fourth-order bow"}

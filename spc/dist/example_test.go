package dist_test

import (
	"fmt"

	"sagwatch/spc/dist"
)

// The line 1 + 2 x through points on it, and a column that is twice another.
func ExampleQR_Factor() {
	q := dist.NewQR(4, 2)
	if err := q.Factor([]float64{1, 1, 1, 1, 0, 1, 2, 3}); err != nil {
		fmt.Println(err)
		return
	}
	coef, work := make([]float64, 2), make([]float64, 4)
	ss := q.Solve(coef, work, []float64{1, 3, 5, 7})
	fmt.Printf("%.6f + %.6f x, remainder below 1e-20: %v\n", coef[0], coef[1], ss < 1e-20)
	fmt.Println(q.Factor([]float64{1, 2, 3, 4, 2, 4, 6, 8}))
	// Output:
	// 1.000000 + 2.000000 x, remainder below 1e-20: true
	// column 2 of the least-squares problem depends on the columns before it
}

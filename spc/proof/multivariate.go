package proof

func multivariateChecks(r *run) {}

package proof

func numericsChecks(r *run) {}

package proof

func chartChecks(r *run) {}

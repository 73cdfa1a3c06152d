package proof

func fitChecks(r *run) {}

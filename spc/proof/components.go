package proof

func componentChecks(r *run) {}

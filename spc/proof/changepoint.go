package proof

func changePointChecks(r *run) {}

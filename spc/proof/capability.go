package proof

func capabilityChecks(r *run) {}

package proof

func autocorrelationChecks(r *run) {}

package proof

func gaugeChecks(r *run) {}

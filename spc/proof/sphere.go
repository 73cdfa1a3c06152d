package proof

func sphereChecks(r *run) {}

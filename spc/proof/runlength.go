package proof

func runLengthChecks(r *run) {}

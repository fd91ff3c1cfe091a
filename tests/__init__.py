"""What breakerbench must do, stated as tests: contract, science, faults, screen, performance."""

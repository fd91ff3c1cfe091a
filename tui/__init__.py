"""The command line and the terminal screen: the one place that knows instrument and simulator."""

"""From transducer to recorded samples: wire, instruments, acquisition, simulator."""

"""The job at the bench: machines, procedures, guided steps, settling. Pure but for `service`."""

"""What a notebook asks of a result beyond its records: values, frames and presence as pandas frames."""

"""The post-mortem of an intermittent dropout: how often, who with whom, what comes before, what to record next."""

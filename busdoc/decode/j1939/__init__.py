"""SAE J1939 and ISO 11783: identifiers, NAMEs, transport sessions and fault codes."""

"""Fault codes: raised, repeated, cleared, and the incidents that they make."""

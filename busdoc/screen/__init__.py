"""The Textual application of `busdoc isolate`: small widgets over the plain models of `busdoc.live.view`."""

"""Photo or scan to linear light: decoding, lighting, glare, tone, and the characterised camera."""

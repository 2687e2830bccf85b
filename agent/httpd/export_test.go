package httpd

import "context"

// Watch is what Run does beside serving, for tests that serve by themselves.
func (s *Server) Watch(ctx context.Context) { s.watch(ctx) }

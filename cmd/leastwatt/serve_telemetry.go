package main

import (
	"context"
	"log/slog"
	"time"

	"go.opentelemetry.io/otel"
	"go.opentelemetry.io/otel/attribute"
	"go.opentelemetry.io/otel/exporters/otlp/otlptrace/otlptracegrpc"
	"go.opentelemetry.io/otel/sdk/resource"
	sdktrace "go.opentelemetry.io/otel/sdk/trace"

	"leastwatt/scheduler"
	"leastwatt/server"
)

// traceShutdown is how long the last traces may take to be sent.
const traceShutdown = 2 * time.Second

// newTelemetry returns telemetry whose traces go to an OTLP receiver, where there
// is one, and a function that sends the last of them.
func newTelemetry(ctx context.Context, traceTo string, ratio float64, log *slog.Logger) (*server.Telemetry, func(), error) {
	if traceTo == "" {
		return server.NewTelemetry(nil), func() {}, nil
	}
	otel.SetErrorHandler(otel.ErrorHandlerFunc(func(err error) { log.Warn("traces", "error", err) }))
	exporter, err := otlptracegrpc.New(ctx, otlptracegrpc.WithEndpointURL(traceTo))
	if err != nil {
		return nil, nil, err
	}
	provider := sdktrace.NewTracerProvider(
		sdktrace.WithBatcher(exporter),
		sdktrace.WithSampler(sdktrace.ParentBased(sdktrace.TraceIDRatioBased(ratio))),
		sdktrace.WithResource(resource.NewSchemaless(
			attribute.String("service.name", "leastwatt"),
			attribute.String("service.version", scheduler.Version),
		)),
	)
	return server.NewTelemetry(provider), func() {
		ctx, cancel := context.WithTimeout(context.Background(), traceShutdown)
		defer cancel()
		if err := provider.Shutdown(ctx); err != nil {
			log.Warn("traces", "error", err)
		}
	}, nil
}

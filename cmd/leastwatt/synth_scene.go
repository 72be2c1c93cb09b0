package main

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"time"

	"leastwatt/campaign"
	"leastwatt/channel"
	citycell "leastwatt/channel/cell"
	"leastwatt/channel/quay"
	"leastwatt/proto/convert"
	pb "leastwatt/proto/leastwatt/v1"
	"leastwatt/scheduler"
)

// scene makes any slot of a trace by itself.
type scene interface {
	// slot returns slot i as the engine gets it, and its channel as it truly was.
	slot(i int) (known *scheduler.Slot, truth []complex128)
	title() string
	// geometry returns the array as the engine takes it; nil where it cannot say it.
	geometry() *scheduler.Array
}

// synthSettings say what a trace is of. They stand in its header as JSON: the same
// settings make the same slots.
type synthSettings struct {
	Scene       string        `json:"scene"`
	Seed        int64         `json:"seed"`
	Users       int           `json:"users"`
	Rows        int           `json:"rows"`
	Columns     int           `json:"columns"`
	Samples     string        `json:"samples"`
	Cell        *cellSettings `json:"cell,omitempty"` // of the scenes uma and umi
	sampleCoder convert.SampleFormat
}

// cellSettings are those of a scene in a city. Their names are those of the flags.
type cellSettings struct {
	Array         string    `json:"array"`
	Element       string    `json:"element"`
	Stack         int       `json:"stack"`
	TiltDeg       float64   `json:"tiltDeg"`
	DowntiltDeg   float64   `json:"downtiltDeg"`
	SlantDeg      float64   `json:"slantDeg"`
	Spacing       float64   `json:"spacing"`
	Fading        string    `json:"fading"`
	RiceDB        float64   `json:"riceDb"`
	DelayNs       float64   `json:"delaySpreadNs"`
	AngularDeg    float64   `json:"angularSpreadDeg"`
	NearM         float64   `json:"nearM"`
	FarM          float64   `json:"farM"`
	SpeedMps      float64   `json:"speedMps"`
	IntervalMs    float64   `json:"intervalMs"`
	CarrierHz     float64   `json:"carrierHz"`
	BandwidthHz   float64   `json:"bandwidthHz"`
	Subbands      int       `json:"subbands"`
	RatesBps      []float64 `json:"ratesBps"`
	NoiseDB       float64   `json:"noiseFigureDb"`
	Pilots        int       `json:"pilots"`
	PilotPowerDBm float64   `json:"pilotPowerDbm"`
	PilotNoiseDB  float64   `json:"pilotNoiseFigureDb"`
	Contamination *float64  `json:"contaminationDb,omitempty"`
	AgeMs         float64   `json:"ageMs"`
}

// Words of the settings.
const (
	sceneQuay = "quay"
	sceneUMa  = "uma"
	sceneUMi  = "umi"
)

// scene returns what the settings say, which have been checked.
func (s *synthSettings) scene() scene {
	if s.Scene == sceneQuay {
		return quayScene{quay.New(s.Seed, quayCrew(s.Users), s.Rows, s.Columns)}
	}
	c := s.Cell
	config := citycell.Config{
		Seed: s.Seed, Scenario: channel.UMa, Fading: citycell.Fading(c.Fading), Array: c.array(s.Rows, s.Columns),
		DowntiltDeg: c.DowntiltDeg, Users: s.Users, NearM: c.NearM, FarM: c.FarM,
		SpeedMps: c.SpeedMps, IntervalS: c.IntervalMs / 1e3, CarrierHz: c.CarrierHz, BandwidthHz: c.BandwidthHz,
		Subbands: c.Subbands, RatesBps: c.RatesBps, NoiseDB: c.NoiseDB, RiceDB: c.RiceDB,
	}
	if s.Scene == sceneUMi {
		config.Scenario = channel.UMi
	}
	if c.DelayNs > 0 || c.AngularDeg > 0 {
		config.Spread = &citycell.Spread{DelayS: c.DelayNs * 1e-9, AngularDeg: c.AngularDeg}
	}
	if c.Pilots > 0 {
		config.Estimate = &citycell.Estimate{
			PilotLength: c.Pilots, PilotPowerW: channel.WattsOf(c.PilotPowerDBm), NoiseDB: c.PilotNoiseDB, AgeS: c.AgeMs / 1e3,
		}
		if c.Contamination != nil {
			config.Estimate.Contamination = math.Pow(10, *c.Contamination/10)
		}
	}
	return cellScene{settings: s, array: c.arrayOf(config.Array), cell: citycell.New(config)}
}

// array returns the array in a city. Antennas of several elements, one over the
// other, stand as much further apart.
func (c *cellSettings) array(rows, columns int) channel.Array {
	lambda := channel.WavelengthM(c.CarrierHz)
	element := channel.Sector65
	if c.Element == scheduler.PatternIsotropic {
		element = channel.Isotropic
	}
	if c.SlantDeg != 0 {
		element = channel.Slanted(element, c.SlantDeg)
	}
	if c.Stack > 1 {
		element = channel.Stack(element, c.Stack, c.Spacing, c.TiltDeg)
	}
	a := channel.Array{PositionsM: channel.Planar(rows, columns, c.Spacing*lambda), Pattern: element}
	if c.Array == "cylinder" {
		a = channel.Cylindrical(rows, columns, c.Spacing*lambda, element)
	}
	for m := range a.PositionsM {
		a.PositionsM[m][2] *= float64(c.Stack)
	}
	return a
}

// arrayOf returns the geometry as the contract has it, for limits on EIRP; nil for
// arrays that it cannot say.
func (c *cellSettings) arrayOf(a channel.Array) *scheduler.Array {
	if c.Stack > 1 || c.Array == "cylinder" || c.SlantDeg != 0 {
		return nil
	}
	out := &scheduler.Array{PositionsM: a.PositionsM, ElementPattern: c.Element}
	out.ElementGainDBi = a.Pattern(channel.Direction{})
	return out
}

// cellScene is a scene in a city.
type cellScene struct {
	settings *synthSettings
	array    *scheduler.Array
	cell     *citycell.Scene
}

func (s cellScene) title() string {
	c := s.settings.Cell
	name := map[string]string{sceneUMa: "urban macro cell", sceneUMi: "urban micro cell"}[s.settings.Scene]
	return fmt.Sprintf("%s at %.4g GHz, %.4g MHz: %d users at %.3g m/s", name, c.CarrierHz/1e9, c.BandwidthHz/1e6, s.settings.Users, c.SpeedMps)
}

func (s cellScene) slot(i int) (*scheduler.Slot, []complex128) {
	c := s.settings.Cell
	snapshot := s.cell.Slot(i)
	slot := &scheduler.Slot{
		Sequence:           int64(i),
		CaptureTime:        time.UnixMicro(int64(math.Round(float64(i) * c.IntervalMs * 1e3))).UTC(),
		SlotDurationMicros: int64(math.Round(c.IntervalMs * 1e3)),
		CarrierHz:          c.CarrierHz,
		BandwidthHz:        c.BandwidthHz,
		Channel:            scheduler.Channel{Antennas: s.settings.Rows * s.settings.Columns, Subbands: c.Subbands, Samples: snapshot.Channel},
		Array:              s.array,
	}
	for k, id := range snapshot.IDs {
		slot.Users = append(slot.Users, scheduler.User{
			ID: id, RateBps: snapshot.RateBps[k], NoiseW: snapshot.NoiseW[k], CSIErrorVariance: snapshot.CSIErrorVariance[k],
		})
	}
	return slot, snapshot.True
}

func (s cellScene) geometry() *scheduler.Array { return s.array }

// quayScene is the demo's scene.
type quayScene struct{ scene *quay.Scene }

func (s quayScene) title() string {
	return fmt.Sprintf("container quay at %.4g GHz, %.4g MHz: %d users, a slot every %g s",
		quay.CarrierHz/1e9, quay.BandwidthHz/1e6, len(s.scene.Users), quay.SlotIntervalS)
}

func (s quayScene) slot(i int) (*scheduler.Slot, []complex128) {
	slot := campaign.QuaySlot(s.scene, i)
	slot.CaptureTime = time.UnixMicro(int64(i) * int64(quay.SlotIntervalS*1e6)).UTC()
	return slot, slot.Channel.Samples
}

func (s quayScene) geometry() *scheduler.Array { return campaign.QuayArray(s.scene) }

// quayCrew splits users as the day shift has them; more users have the fewer among
// them.
func quayCrew(users int) quay.Crew {
	c := quay.Crew{CraneCabs: (3*users + 5) / 16, HandHelds: (4*users + 8) / 16}
	c.StraddleCarriers = users - c.CraneCabs - c.HandHelds
	return c
}

// messages returns slot i of a scene for so many outputs: the trace, and that of
// true channels.
func (s *synthSettings) messages(from scene, i, outputs int) []*pb.Slot {
	known, samples := from.slot(i)
	list := []*pb.Slot{convert.SlotToProto(known, s.sampleCoder)}
	if outputs > 1 {
		truth := *known
		truth.Channel.Samples = samples
		truth.Users = slices.Clone(known.Users)
		for k := range truth.Users {
			truth.Users[k].CSIErrorVariance = 0
		}
		list = append(list, convert.SlotToProto(&truth, s.sampleCoder))
	}
	return list
}

// text returns the settings as JSON.
func (s *synthSettings) text() (string, error) {
	data, err := json.Marshal(s)
	return string(data), err
}

package watch

import (
	"testing"
	"testing/synctest"
	"time"

	"nightcell/alerts/routes"
	"nightcell/daemon/notices"
	"nightcell/daemon/report"
	"nightcell/daemon/watchtest"
	"nightcell/drivers"
)

// TestAPictureEndsWithItsNotice draws for a notice that is delivered late, and for one before any run.
func TestAPictureEndsWithItsNotice(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		b := watchtest.New(t, drivers.NewClock(1), watchtest.Live)
		dir := t.TempDir()
		c := zincCell(t, b, dir, "", `recover = "68 %"`, "")
		stop := watchtest.Start(t, c)
		<-time.After(2 * time.Hour)
		run := c.Latest().Run
		if err := stop(); err != nil {
			t.Fatal(err)
		}
		at := time.Now().Add(-time.Hour).UTC()
		var series report.Series
		if err := notices.ReadSeries(t.Context(), run, at.Add(-30*time.Minute), at, &series); err != nil {
			t.Fatal(err)
		}
		if n := len(series.At); n < 355 || n > 362 || series.At[n-1].After(at) {
			t.Errorf("%d readings up to %v; there are 360 in the half hour up to %v", n, series.At[len(series.At)-1], at)
		}
		if png, err := notices.Picture(t.Context(), dir, "zinc-1", routes.Notice{At: at.AddDate(0, 0, -1)}); png != nil || err != nil {
			t.Error("a picture of a time before any run")
		}
	})
}

package pagetest

import (
	"flag"
	"image/png"
	"os"
	"testing"
	"time"
)

var update = flag.Bool("update", false, "take the README's picture of the page anew")

const picture = "../../../deploy/page.png"

// The README shows the page half-way through the demonstration's discharge. go
// generate ./deploy takes the picture; it differs each time, so it is not compared.
func TestThePictureOfThePage(t *testing.T) {
	if *update {
		s := open(t, chromium(t), view{name: "picture", width: 1180, height: 830, scale: 1}, "about:blank")
		d := startDemo(t, "--listen", anyPort)
		s.visit(d.url)
		s.until("a warning", 60*time.Second, has("#do", "ACT SOON"))
		s.until("half of the discharge", 60*time.Second, `Number(document.querySelector(".plan b").innerText.split(" ")[0]) < 35`)
		s.until("what was read", 10*time.Second, `document.querySelectorAll(".plot canvas").length === 2`)
		s.picture(picture, false)
	}
	f, err := os.Open(picture)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	img, err := png.DecodeConfig(f)
	if err != nil || img.Width < 800 || img.Height < 600 {
		t.Errorf("%s: %+v, %v", picture, img, err)
	}
	if info, err := f.Stat(); err != nil || info.Size() > 250_000 {
		t.Errorf("%s is too large for the repository: %v, %v", picture, info.Size(), err)
	}
}

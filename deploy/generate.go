// Package deploy holds what is installed beside the program or on other machines:
// unit, rules, package, examples; and the pictures and the card of the documents,
// which are made from the program by
//
//	go generate ./deploy
//
// Its tests hold all of it to the program.
package deploy

//go:generate go run ./fieldcard field-card.html
//go:generate go run ../cmd/candlemark replay --pack ../testdata/pack.yaml --learn ../testdata/earlier.csv --trace ../testdata/discharge.csv --plot replay.svg
//go:generate go test ../agent/httpd/pagetest -run TestThePictureOfThePage -count=1 -update

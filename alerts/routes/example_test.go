package routes_test

import (
	"crypto/hmac"
	"fmt"

	"nightcell/alerts/routes"
)

// How a receiver tells that a post comes from its own nightcell: it computes the
// signature anew, from the two headers and the body as it arrived.
func ExampleSign() {
	key := routes.NewSecret("the shared key")
	signedAt := "2026-03-01T22:15:00Z"                          // header Nightcell-Signed-At; refuse it when it is old
	signature := "7kE3Y5iKynGZ2gdJwnbGvhmeGjtXsE0z1eMveLrpH/4=" // header Nightcell-Signature
	body := []byte(`{"id":"zinc-1-7"}`)

	fmt.Println(hmac.Equal([]byte(signature), []byte(routes.Sign(key, signedAt, body))))
	// Output: true
}

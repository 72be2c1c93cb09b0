module leastwatt

go 1.26

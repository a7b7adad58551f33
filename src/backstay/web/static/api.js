// Written by `make docs` from the models of the API; do not edit.
export {};
